"""What others see of a running afterclear: log lines and metrics."""

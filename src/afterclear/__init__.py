"""afterclear: was the fault fixed?  Scans, clears and work orders in, evidence out."""

__version__ = "0.1.0"

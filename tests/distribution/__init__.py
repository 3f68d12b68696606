"""What is shipped: the wheel, its parts, the versions it runs with."""

"""What is coming: failures to expect, and the parts for them."""

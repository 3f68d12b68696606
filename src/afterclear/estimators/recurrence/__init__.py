"""Events that recur on one vehicle: mean number, growth, trend."""

"""What all estimators ask of arrays, and arrays of many groups laid end to end."""

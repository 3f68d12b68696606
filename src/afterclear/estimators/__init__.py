"""Arrays in, frozen results out; no store, no clock, no HTML.

Sums that go into a fit are taken in a fixed order: the nights of deliveries
(``tests/faults/test_year.py``) compare exports byte by byte.
"""

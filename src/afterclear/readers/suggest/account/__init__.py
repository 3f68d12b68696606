"""Held against what would be stored: what a file says besides, and whether it makes sense.

A rule of ``decisions`` knows one shape of file.  This room knows none: when a map has been
suggested and its rows have been made, it goes through the source by itself and asks about whatever
is left over and may change what the rows mean.  Words that may do so stand in
``config/imports/doubts.csv``.
"""

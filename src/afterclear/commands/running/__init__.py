"""A whole run or one job of the timetable, and the account that is kept of it."""

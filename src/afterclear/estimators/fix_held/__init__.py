"""Did the fix hold: a mixture over groups of attempts."""

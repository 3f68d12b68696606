"""Did it help: before and after what was changed, against what was not."""

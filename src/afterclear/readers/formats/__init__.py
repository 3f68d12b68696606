"""Kinds of files as grids or nested data: text, workbooks, pages, trees."""

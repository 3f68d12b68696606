"""Page models to HTML files and letters."""

"""Results -> the models of the fleet page, the garage page and the stock page."""

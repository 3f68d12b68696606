"""One kind of file each: Delivery -> plain tables, with the place of every row."""

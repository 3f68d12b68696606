"""A map for a file nobody has mapped yet: evidence -> scored readings -> map or question.

The steps, each a module: ``looking`` finds the table, ``profiles`` looks at its columns,
``numbers`` and ``days`` decide how numbers and dates of the whole file are written, ``readings``
lists what each column may be, ``deciding`` chooses and asks about the rest (``asking``),
``writing`` makes the map's text.  What decides a column is its values; headings help.
"""

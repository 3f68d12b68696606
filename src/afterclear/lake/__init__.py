"""A fleet beyond one machine: its rows as Parquet by bucket of vehicles, a bucket at a time.

No rule stands here. A bucket's rows become a store in memory, and the same functions run on it as
on a store of one machine; what they leave is Parquet again. ``engine.py`` is the only importer of
Spark, and only a command that asks for it imports that.
"""

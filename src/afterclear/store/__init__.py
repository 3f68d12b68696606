"""The only importer of duckdb."""

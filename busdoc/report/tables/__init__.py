"""The result as tables, CSV and Parquet."""

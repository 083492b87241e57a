"""Rows of a query as files that other programs read: CSV, JSON lines, Parquet, WebVTT."""

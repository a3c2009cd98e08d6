"""Closed months that left the live file: one Parquet file each, read by the same questions."""

"""Brings in the outdoor forecast: free public services, cached on disk, with their terms kept."""

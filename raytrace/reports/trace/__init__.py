"""A run in tables and figures."""

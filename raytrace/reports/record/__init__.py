"""A cook's record in words, tables and figures."""

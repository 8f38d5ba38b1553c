"""The sun window in words, tables and figures."""

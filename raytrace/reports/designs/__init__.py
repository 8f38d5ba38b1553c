"""Comparison and search in words, tables and figures."""

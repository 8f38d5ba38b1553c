"""Tolerance and blame in words, tables and figures."""

"""Answers as tables, text and files."""

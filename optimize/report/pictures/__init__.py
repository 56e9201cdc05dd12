"""Answers as drawings and plots."""

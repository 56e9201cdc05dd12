"""Searching builds: scenario, search, ledger, report and command line."""

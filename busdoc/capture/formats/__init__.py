"""Capture files by suffix: one module for each kind, one row for each in `readers`."""

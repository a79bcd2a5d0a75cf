"""The record for the warranty desk, as HTML and as PDF."""

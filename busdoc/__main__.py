"""`python -m busdoc`."""

from busdoc.cli import run

run()

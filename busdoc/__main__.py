"""`python -m busdoc`."""

from busdoc.cli.main import run

run()

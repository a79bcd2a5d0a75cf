"""CAN bus capture analyser for controller health."""

__version__ = "0.1.0"

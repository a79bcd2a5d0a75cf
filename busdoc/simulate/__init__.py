"""Machines, faults and technicians in software, writing captures with known truth. The analysis never imports it."""

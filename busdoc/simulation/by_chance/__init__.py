"""Machines, faults and technicians drawn by chance, for tests and benchmarks."""

"""Compiles the kernels of the modules that are named, and keeps them: a process of its own, beside another."""

import importlib
import sys

from busdoc.kernels.compiled import entry_kernels

if __name__ == "__main__":
    for name in sys.argv[1:]:
        for kernel in entry_kernels(importlib.import_module(name)):
            kernel.prepare()

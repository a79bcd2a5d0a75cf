"""How kernels are compiled, where what was compiled is kept, and how many cores a process may keep busy."""

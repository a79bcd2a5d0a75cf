"""How kernels are compiled, and where what was compiled is kept."""

"""Practice without a machine: a scenario's machine that goes on while somebody works on it, heard like a bus."""

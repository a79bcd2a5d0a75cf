"""Which action an incident answers to, which part is at fault, and what to test next."""

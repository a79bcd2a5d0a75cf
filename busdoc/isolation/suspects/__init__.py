"""Which action, which part: evidence, posterior, reasons."""

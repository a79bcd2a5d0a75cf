"""What counts and hours of many machines say: pure functions of numbers, which know nothing of captures."""

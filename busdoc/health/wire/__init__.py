"""The wire itself: load, true frame lengths, bit rate, error frames and states."""

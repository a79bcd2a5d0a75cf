"""Streams: when frames of one identifier came, their rhythm, their silences."""

"""NMEA 2000: fast packets and the heartbeat."""

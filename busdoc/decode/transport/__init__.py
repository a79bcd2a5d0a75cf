"""Messages longer than a frame, put together again (SAE J1939-21, ISO 11783-3, NMEA 2000)."""

"""Live buses through python-can: opening, listening, clocks, adapters that come and go."""

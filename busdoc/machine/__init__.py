"""The machine as its map tells it: parts, supply, bus, controllers, codes."""

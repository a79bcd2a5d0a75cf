"""Many captures of many machines: each judged as by itself, then what only many can tell."""

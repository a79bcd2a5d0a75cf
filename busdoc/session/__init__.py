"""What a session keeps on disk: its folder, its store, its logbook."""

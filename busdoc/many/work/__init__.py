"""The work itself: each capture judged, by whatever workers there are."""

"""What goes on in a simulated machine by itself: its clock, its controllers, its faults."""

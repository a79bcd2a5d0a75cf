"""The first minute: what `busdoc` alone says, and whether the laptop is ready for the machine."""

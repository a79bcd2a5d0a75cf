"""The session at the machine: joins listening, health, actions and isolation while the clock runs, and keeps it all.

What `busdoc.postmortem` is for a recording, `LiveSession` is for a bus. It knows nothing of screens.
"""

"""The page on the phone: the session's records over a small web server, and presses back."""

"""The three uses joined: what a recording, or a session so far, goes through from frames to one `Result`."""

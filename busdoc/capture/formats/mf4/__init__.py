"""The reader of `.mf4`: whole columns through a library, in a process of its own."""

"""How the findings of a fleet are told: sentences, the page, the terminal."""

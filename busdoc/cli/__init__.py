"""What is typed: options, commands, exit statuses. Nothing is computed here."""

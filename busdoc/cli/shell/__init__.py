"""What a shell and its pages know of busdoc: completion and manual, both made from the parser of the commands."""

"""What machines do when nothing is wrong: started, cranked, switched off and on, joined by others."""

"""What lambda should be: the idle by its test, every band by its load."""

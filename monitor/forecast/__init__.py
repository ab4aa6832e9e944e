"""When the next changeout falls due, and how sure that is: loading laws, earlier lives, the two combined."""

"""What is read from the skid's values: one method a module."""

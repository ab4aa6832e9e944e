"""One module a command. They put the parts together; heavy imports happen when a command runs."""

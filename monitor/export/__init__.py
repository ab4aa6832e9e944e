"""What the store holds, as files for analysts."""

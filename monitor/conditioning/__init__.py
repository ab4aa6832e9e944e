"""What makes readings fit to be judged: range limits and quality. Pure arithmetic; marks, never silently drops."""

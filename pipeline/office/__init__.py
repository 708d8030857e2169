"""What the clerk and the inspector do."""

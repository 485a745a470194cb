"""What materials do."""

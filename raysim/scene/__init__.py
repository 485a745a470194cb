"""What the room is: reading, checking and describing it."""

"""What the work of a stretch of weeks takes in hours and money: planned, done and put off."""

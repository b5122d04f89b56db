"""Pages for people: reads only."""

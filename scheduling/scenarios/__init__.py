"""What if: the season computed again with something changed, beside the season as it is."""

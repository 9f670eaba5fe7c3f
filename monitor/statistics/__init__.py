"""Pure statistics, of any trade."""

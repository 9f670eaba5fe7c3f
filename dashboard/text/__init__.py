"""Words, numbers, units, times and addresses as people read and type them."""

"""What people see: pages over the store, and the messages that carry their answers back."""

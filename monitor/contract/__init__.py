"""What we promise to others: topics, messages, configuration, record types and the store schema."""

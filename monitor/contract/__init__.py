"""What we promise to others: topics, messages, configuration and the types of the record; imports nothing of ours."""

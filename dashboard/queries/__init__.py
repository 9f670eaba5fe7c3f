"""What pages and the api ask of the record, as plain values."""

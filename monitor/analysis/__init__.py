"""Questions asked of the record afterwards."""

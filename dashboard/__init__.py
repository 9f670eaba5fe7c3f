"""Web dashboard: pages that read the store, and messages for operator actions."""

"""Who may come in, how pages are served, and what browsers and collectors fetch."""

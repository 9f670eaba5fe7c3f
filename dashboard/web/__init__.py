"""Web server: accounts and sessions, serving, the api and metrics."""

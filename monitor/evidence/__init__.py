"""Evidence for a drum or a reel."""

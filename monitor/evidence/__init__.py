"""What a drum or a reel can prove."""

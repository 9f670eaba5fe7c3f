"""What the side of a line needs to publish and lose nothing, and the test of those who wrote their own."""

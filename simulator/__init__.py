"""The line as it truly is, its gauges, an unkind wire, and the truth for marking."""

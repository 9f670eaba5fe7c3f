"""Publishing for a line's gateway without loss, and the conformance test for other gateways."""

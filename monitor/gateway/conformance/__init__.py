"""The conformance test of anyone's publisher."""

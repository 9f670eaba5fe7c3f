"""Speed and memory as figures and ratios, printed; nothing here passes or fails but a disturbed run."""

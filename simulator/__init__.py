"""Simulator: physical line, instruments, network faults and ground truth."""

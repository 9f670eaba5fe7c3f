"""Figures as pure functions: values in, a Plotly figure out."""

"""What the commands of this package do, a line each: `everymetre --help` lists them without importing them."""

SUMMARIES = {
    "simulate": "Publish lines of a scenario as if they were there.",
    "mark": "Compare the monitor's record with the simulator's truth.",
}

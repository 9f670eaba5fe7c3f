"""What the commands of this package do, a line each: `everymetre --help` lists them without importing them."""

SUMMARIES = {
    "simulate": "Simulate production lines and publish their data over MQTT.",
    "mark": "Compare the record of the monitor with the true faults of the simulation.",
}

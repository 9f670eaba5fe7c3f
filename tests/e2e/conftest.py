"""What the tests in a browser share: a busy machine takes its time to load Plotly, which is large."""

from playwright.sync_api import expect

expect.set_options(timeout=60_000)

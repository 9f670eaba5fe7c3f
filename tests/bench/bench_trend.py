"""An 8-hour trend from the store: read, thinned, and from a click in a browser to the drawn picture."""

import tempfile
import time
from pathlib import Path

import msgspec
import numpy as np

from monitor.contract.config.load import load
from monitor.contract.config.works import Store
from monitor.contract.topics import Stream
from monitor.core.arrival import Arrival
from monitor.core.engine import Engine
from monitor.shell.broker_link import Received
from monitor.shell.processor import Processor
from monitor.store.reader import StoreReader
from monitor.store.writer import Writer
from tests.bench.works import CONFIGS

HOURS = 8
SAID = r"() => (document.body.innerText.match(/.* samples, .* drawn/) || [''])[0]"
T0 = 1_764_000_000.0 // 3600 * 3600


def main() -> None:
    """Print times for one 100 Hz stream (2.9 million samples) and one of 2 Hz."""
    with tempfile.TemporaryDirectory() as name:
        store = Store(folder=name)
        _fill(store)
        reader = StoreReader(store)
        for path in ("cold-gauge/diameter-x", "oven-a/temperature"):
            stream = Stream("core-1", *path.split("/"))
            took = min(_time(reader, stream) for _ in range(3))
            count = len(reader.samples(stream, 0, round((T0 + 9e5) * 1e3)).t_ms)
            print(f"{path}: {count:,} samples of {HOURS} h read in {took * 1e3:.0f} ms")
        _in_browser(store)


def _fill(store: Store) -> None:
    c = load(CONFIGS)
    c = c.model_copy(update={"works": c.works.model_copy(update={"store": store})})
    writer, rng = Writer(store), np.random.default_rng(1)
    processor = Processor(configuration=c, writer=writer, engine=Engine.of(c))
    size = Path(store.folder)
    begun = time.perf_counter()
    for hour in range(HOURS):
        for minute in range(60):
            t = T0 + hour * 3600 + minute * 60
            batch = [_told("cold-gauge/diameter-x", t + s, 3.58 + rng.normal(0, 0.01, 100), 10, t) for s in range(60)]
            batch += [_told("oven-a/temperature", t + s, 290 + rng.normal(0, 1, 2), 500, t) for s in range(60)]
            writer.write(processor.take(batch, t))
        writer.write(processor.last_batch())
        processor.roll()
    bytes_ = sum(f.stat().st_size for f in size.rglob("*") if f.is_file())
    print(f"store filled in {time.perf_counter() - begun:.0f} s, {bytes_ / 2**20:.0f} MiB in all")
    writer.close()


def _told(path: str, t: float, v: np.ndarray, dt: float, now: float) -> Received:
    n = round(t)
    payload = msgspec.json.encode({"n": n, "t": round(t * 1e3), "dt": dt, "v": [round(float(x), 4) for x in v]})
    return Received(Arrival(f"tarn/core-1/{path}", payload, now + 60), lambda: None)


def _time(reader: StoreReader, stream: Stream) -> float:
    begun = time.perf_counter()
    reader.samples(stream, round(T0 * 1e3), round((T0 + HOURS * 3600) * 1e3))
    return time.perf_counter() - begun


def _in_browser(store: Store) -> None:
    """From a click on 8 h to the picture, in headless Chromium, against the real application."""
    import threading

    from playwright.sync_api import sync_playwright
    from waitress.server import create_server

    from dashboard.app import create_app
    from tests.dashboard.fake_record import FakeGateway

    c = load(CONFIGS)
    app = create_app(StoreReader(store), c, FakeGateway(), lambda: T0 + HOURS * 3600 - 1)
    server = create_server(app.server, host="127.0.0.1", port=0, threads=8)
    threading.Thread(target=server.run, daemon=True).start()
    with sync_playwright() as p:
        browser = p.chromium.launch(executable_path="/usr/bin/chromium", args=["--no-sandbox", "--disable-gpu"])
        page = browser.new_page(viewport={"width": 1280, "height": 720})
        page.goto(f"http://127.0.0.1:{server.effective_port}/trend")
        page.wait_for_timeout(2500)
        times = []
        for label in ("8 h", "1 h", "8 h"):
            before = page.evaluate(SAID)
            begun = time.perf_counter()
            page.get_by_text(label, exact=True).click()
            page.wait_for_function(f"before => ({SAID})() !== before", arg=before)
            page.evaluate("() => new Promise(r => requestAnimationFrame(() => requestAnimationFrame(r)))")
            times.append((label, time.perf_counter() - begun))
        browser.close()
    print("click to drawn: " + ", ".join(f"{label} {t * 1e3:.0f} ms" for label, t in times))
    server.close()

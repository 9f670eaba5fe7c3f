"""The README's "Send your own data" to the letter: commands, ports, the demo's configuration, a real monitor."""

import re
import shutil
import subprocess
import sys
import time
from pathlib import Path

from monitor.contract.config.works import Store
from monitor.contract.topics import Stream
from monitor.store.reader import StoreReader
from tests.core.script import CONFIGS
from tests.shell.brokers import PATH, program
from tests.shell.works import PATIENCE, until

README = Path(__file__).parents[2] / "README.md"

# A network of its own, since the README's ports may be in use here: a broker and a monitor as `everymetre run` has.
SCRIPT = """
set -e
ip link set lo up
trap 'kill $(jobs -p)' EXIT
"$PYTHON" -m monitor broker --configs "$CONFIGS" &
"$PYTHON" -m monitor monitor --configs "$CONFIGS" --lines core-1 2>&1 | tee monitor.log &
until grep -q "connected to" monitor.log; do sleep 0.1; done
bash -e commands.sh
read -r _
"""


def commands() -> str:
    """The block of commands under the heading, as it is printed."""
    part = README.read_text(encoding="utf-8").split("## Send your own data\n")[1].split("\n## ")[0]
    found = re.search(r"```sh\n(.*?)```", part, re.DOTALL)
    assert found
    return found[1]


def test_what_the_readme_says_to_publish_is_stored_and_refused(tmp_path):
    program("mosquitto_pub")
    configs = Path(shutil.copytree(CONFIGS, tmp_path / "configs"))
    works = configs / "works.toml"
    works.write_text(works.read_text().replace(".run/store", str(tmp_path / "store")))
    (tmp_path / "commands.sh").write_text(commands())
    environment = {"PATH": PATH, "PYTHON": sys.executable, "CONFIGS": str(configs), "PYTHONPATH": str(README.parent)}
    begun_ms = round(time.time() * 1e3)
    reader = StoreReader(Store(folder=str(tmp_path / "store")))

    def rejected() -> dict[str, int]:
        return {row.kind: row.count for row in reader.rejected()}

    with subprocess.Popen(
        ["unshare", "--net", "--map-root-user", "bash", "-c", SCRIPT],
        cwd=tmp_path, env=environment, stdin=subprocess.PIPE, stdout=subprocess.DEVNULL,
    ) as process:  # fmt: skip
        try:
            until(lambda: (tmp_path / "store" / "record.sqlite").exists() and rejected(), 60, "a refused message")
            samples = reader.samples(Stream("core-1", "take-up", "tension"), begun_ms - 1000, 10**15)
        finally:
            assert process.stdin is not None
            process.stdin.close()
            process.wait(20 * PATIENCE)
    assert samples.v.tolist() == [81.5]
    assert rejected() == {"not JSON": 1}

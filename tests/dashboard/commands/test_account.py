"""The command `everymetre account`: makes, lists and removes accounts."""

import io

from monitor.__main__ import main
from tests.dashboard.conftest import PASSWORD
from tests.shell.works import configs_at


def test_the_command_makes_lists_and_removes(tmp_path, capsys, monkeypatch):
    configs, *_ = configs_at(tmp_path)
    works = configs / "works.toml"
    file = f'accounts_file = "{tmp_path}/accounts.json"'
    works.write_text(works.read_text().replace("[wire]", f"{file}\n\n[wire]"))
    words = ["account", "--configs", str(configs)]
    monkeypatch.setattr("sys.stdin", io.StringIO(PASSWORD + "\n"))
    assert main([*words, "Mira", "--role", "administer", "--password-stdin"]) == 0
    assert main(words) == 0
    assert capsys.readouterr().out == "Mira: administer\n"
    assert main([*words, "Nils", "--remove"]) == 2
    assert main([*words, "Mira", "--remove"]) == 0
    assert "no account 'Nils'" in capsys.readouterr().err

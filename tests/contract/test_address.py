"""A broker's address: what is configured is where a client connects, and no password is ever printed."""

import ssl

import pytest

from monitor.contract.address import BrokerAddress, address
from monitor.contract.config.works import Broker


@pytest.mark.parametrize(
    ("url", "expected"),
    [
        ("mqtt://plant.example", ("plant.example", 1883, False)),
        ("mqtts://plant.example", ("plant.example", 8883, True)),
        ("mqtt://[::1]:2000", ("::1", 2000, False)),
    ],
)
def test_ports_are_those_registered_for_mqtt_unless_given(url, expected):
    """IANA's registry of service names: mqtt 1883, secure-mqtt 8883 (from memory)."""
    found = address(Broker(url=url), {})
    assert (found.host, found.port, found.tls) == expected


def test_a_password_comes_from_its_file_or_its_variable_and_is_not_printed(tmp_path):
    file = tmp_path / "password"
    file.write_text("from the file\n")
    by_file = address(Broker(user="monitor", password_file=str(file)), {})
    by_variable = address(Broker(user="monitor", password_variable="PLANT"), {"PLANT": "from the variable"})
    assert (by_file.password, by_variable.password) == ("from the file", "from the variable")
    assert "from the" not in f"{by_file!r} {by_variable!r} {by_file}"


def test_a_variable_that_is_not_set_is_named():
    with pytest.raises(ValueError, match="PLANT is not set; set it to the password"):
        address(Broker(password_variable="PLANT"), {})


@pytest.mark.parametrize("url", ["mqtt://:1883", "mqtt://?host"])
def test_an_address_without_a_host_is_refused(url):
    with pytest.raises(ValueError, match="expected mqtt://HOST:PORT or mqtts://HOST:PORT"):
        address(Broker(url=url), {})


def test_tls_checks_the_certificate_and_the_name():
    context = BrokerAddress(host="plant.example", port=8883, tls=True).tls_context()
    assert context is not None
    assert (context.verify_mode, context.check_hostname) == (ssl.CERT_REQUIRED, True)
    assert BrokerAddress(host="plant.example", port=1883).tls_context() is None

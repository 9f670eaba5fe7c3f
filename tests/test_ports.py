"""Ports for servers: another process never gets them, nor does the system hand them to a client."""

import socket
import subprocess
import sys
from pathlib import Path

from tests.ports import SIZE, claimed, free_port

ANOTHER = "from tests.ports import claimed, free_port; print(claimed().first, *(free_port() for _ in range(60)))"


def test_processes_at_the_same_time_give_ports_of_their_own():
    mine = claimed().first
    words, here = [sys.executable, "-c", ANOTHER + "; input()"], Path(__file__).parents[1]
    others = [
        subprocess.Popen(words, cwd=here, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True) for _ in range(3)
    ]
    try:
        blocks = [list(map(int, other.stdout.readline().split())) for other in others if other.stdout]
    finally:
        for other in others:
            other.communicate("\n")
    firsts = {mine, *(block[0] for block in blocks)}
    assert len(firsts) == 4
    for first, *ports in blocks:
        assert len(ports) == 60
        assert all(first <= port < first + SIZE - 1 for port in ports)


def test_a_port_whose_neighbour_is_taken_is_passed_over():
    port = free_port()
    with socket.create_server(("127.0.0.1", port + 1)):
        given = {free_port() for _ in range(SIZE)}
    assert port not in given
    assert given


def test_ports_lie_outside_the_range_of_clients():
    with socket.create_server(("127.0.0.1", 0)) as server, socket.create_connection(server.getsockname()) as client:
        ephemeral = client.getsockname()[1]
    assert free_port() < 32_000 < ephemeral

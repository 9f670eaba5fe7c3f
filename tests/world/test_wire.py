"""The wire of the world delivers what a broker may: late, twice and in another order, but every message."""

import random

from tests.world.wire import OVERTAKEN_MAX, Broker, Session


def delivered(reorder: float, repeat: float, count: int = 200) -> list[bytes]:
    broker = Broker(random.Random(1), repeat, reorder)
    broker.session = Session()
    for i in range(count):
        broker.take(f"tarn/core-9/oven/{i % 2}", b"%d" % i)
    broker.deliver_overtaken()
    return [payload for _, _, payload in broker.session.queue]


def test_messages_come_in_their_order_and_once_where_nothing_disturbs():
    assert delivered(0.0, 0.0) == [b"%d" % i for i in range(200)]


def test_others_overtake_a_message_of_its_own_stream_and_of_others_and_none_is_lost():
    numbers = [int(payload) for payload in delivered(0.2, 0.1)]
    assert set(numbers) == set(range(200))
    assert len(numbers) > 200
    of_stream = [n for n in numbers if n % 2 == 0]
    assert of_stream != sorted(of_stream)
    late = [max(numbers[: i + 1]) - n for i, n in enumerate(numbers)]
    assert 0 < max(late) <= OVERTAKEN_MAX

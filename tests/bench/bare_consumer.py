"""An aiomqtt consumer that does nothing but count: what any consumer costs. Prints its count at SIGTERM."""

import asyncio
import contextlib
import signal
import sys

import aiomqtt


async def main(port: int) -> None:
    """Subscribe to everything and count until told to stop."""
    count, stop = 0, asyncio.Event()
    asyncio.get_running_loop().add_signal_handler(signal.SIGTERM, stop.set)
    async with aiomqtt.Client("127.0.0.1", port, protocol=aiomqtt.ProtocolVersion.V5) as client:
        await client.subscribe("tarn/+/+/+", qos=1)

        async def listen() -> None:
            nonlocal count
            async for _ in client.messages:
                count += 1

        listening = asyncio.create_task(listen())
        await stop.wait()
        listening.cancel()
        with contextlib.suppress(asyncio.CancelledError):
            await listening
    print(count)


if __name__ == "__main__":
    asyncio.run(main(int(sys.argv[1])))

"""Many viewers of the live picture: each reads all that comes, until killed. Says once that each has seen something.

python viewers.py URL COUNT

It gives way to all else on the machine, since viewers sit at other machines.
"""

import asyncio
import os
import sys

import httpx


async def _follow(client: httpx.AsyncClient, url: str, seen: asyncio.Semaphore) -> None:
    async with client.stream("GET", f"{url}/api/live") as answer:
        first = True
        async for line in answer.aiter_lines():
            if first and line.startswith("data: "):
                first = False
                seen.release()


async def _main(url: str, count: int) -> None:
    seen = asyncio.Semaphore(0)
    async with httpx.AsyncClient(timeout=20, limits=httpx.Limits(max_connections=None)) as client:
        following = [asyncio.create_task(_follow(client, url, seen)) for _ in range(count)]
        for _ in following:
            await seen.acquire()
        print("every viewer sees", flush=True)
        await asyncio.gather(*following)


os.nice(10)
asyncio.run(_main(sys.argv[1], int(sys.argv[2])))

"""The process beside the server: it answers, it refuses, it can be stopped, and it comes again."""

import asyncio
import os
import signal

import pytest

from simkit.page.companion import Companion, Refused, Stopped


def test_it_answers_refuses_and_comes_again_after_it_was_stopped():
    async def asked():
        companion = Companion()
        try:
            for what in ("os.system", "replies._where", "replies.nothing", "../replies.opened", "long_work.__import__"):
                with pytest.raises(Refused):
                    await companion.ask(what, "true")
            said = []
            found = await companion.ask("long_work.started", "egg", progress=said.append)
            assert found["text"].startswith("#") and said == []
            with pytest.raises(Refused, match="sphere"):
                await companion.ask("long_work.started", "pyramid")
            first = companion._process.pid
            os.kill(first, signal.SIGSTOP)  # so that it is asked, and has not answered when it ends
            waiting = asyncio.create_task(companion.ask("long_work.started", "egg"))
            await asyncio.sleep(0.2)
            os.kill(first, signal.SIGKILL)
            with pytest.raises(Stopped):
                await waiting
            assert (await companion.ask("long_work.started", "box"))["text"]
            assert companion._process.pid != first
        finally:
            await companion.end()
        with pytest.raises(Stopped):
            await companion.ask("long_work.started", "egg")

    asyncio.run(asked())

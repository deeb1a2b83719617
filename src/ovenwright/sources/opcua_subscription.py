"""A subscription that is taken up where it was left, and that misses no message of the server.

The library asks the server to transfer a subscription after each broken link, even into the session
it never left; some servers refuse that, and what they kept would be thrown away with it.
"""

from __future__ import annotations

import time
from collections.abc import Callable
from typing import Any

from asyncua import ua
from asyncua.client.ua_session import UaSession
from asyncua.common.subscription import Subscription
from asyncua.ua.uaerrors import BadMessageNotAvailable, UaError

_MOST_MISSED = 10_000


def _nothing() -> None:
    return None


class KeptSubscription(Subscription):
    """Asks for messages that were sent but never came (OPC 10000-4, 5.14.6 Republish)."""

    def __init__(self, *words: Any, **more: Any) -> None:
        super().__init__(*words, **more)
        self._next: int | None = None
        self._missed: list[int] = []
        self.lost_messages = 0
        """Messages that the server no longer had; whoever tells of them sets it back to 0."""
        self.before_anew: Callable[[], None] = _nothing
        """Called when it has to be made anew: what the server kept meanwhile is then gone."""
        self.before_hole: Callable[[], None] = _nothing
        """Called when messages are found missing, before the one after them is taken."""

    @property
    def waits_for_missed(self) -> bool:
        """Whether messages are still to be asked for again."""
        return bool(self._missed)

    async def publish_callback(self, publish_result: ua.PublishResult) -> None:
        """Take a message, and note those before it that did not come."""
        number = int(publish_result.NotificationMessage.SequenceNumber or 0)
        if self._next is not None and number > self._next:
            wanted = range(self._next, number)
            self.before_hole()
            self._missed.extend(wanted[: _MOST_MISSED - len(self._missed)])
        if publish_result.NotificationMessage.NotificationData:
            self._next = number + 1  # a message without data only tells the number to come
        await super().publish_callback(publish_result)

    async def fetch_missed(self) -> None:
        """Ask again for what did not come."""
        while self._missed:
            number = self._missed.pop(0)
            if not await self._again(number):
                self.lost_messages += 1

    async def restore(self) -> None:
        """Go on after a broken link: in the same session where it lives, anew where it does not."""
        if not self.is_deleted and self.subscription_id is not None and self._next is not None:
            try:
                while await self._again(self._next):
                    self._next += 1
            except UaError:
                pass  # the server does not know it any more
            else:
                self.last_publish_at = time.monotonic()
                return
        self._next = None
        await super().restore()

    async def recreate(self) -> None:
        """Make it anew on the server."""
        self.before_anew()
        await super().recreate()

    async def _again(self, number: int) -> bool:
        """Ask for one message again; False where the server has it not."""
        if not isinstance(self.server, UaSession) or self.subscription_id is None:
            return False
        try:
            message = await self.server.republish(self.subscription_id, number)
        except BadMessageNotAvailable:
            return False
        await super().publish_callback(
            ua.PublishResult(self.subscription_id, NotificationMessage=message)
        )
        return True

"""The primary host: whether it is there, from what it says under its STATE topic."""

import json

from capture.publish.sparkplug.node import NAMESPACE


def state_topic(host: str) -> str:
    """Give the topic under which a host application says whether it is there."""
    return f"{NAMESPACE}/STATE/{host}"


class PrimaryHost:
    """One host application, as far as it has told, over all connections."""

    def __init__(self, host: str) -> None:
        self.topic = state_topic(host)
        self.online = False
        self._newest = -1

    def forget(self) -> None:
        """Take it for away, as a connection begins: it is heard anew, retained, if it is there.

        The newest of its times stays known, so that nothing older is believed.
        """
        self.online = False

    def take(self, payload: bytes) -> None:
        """Take what it said; what is older than the newest known is passed over.

        Raises:
            ValueError: it is not what a host says.
        """
        try:
            said = json.loads(payload)
            online, moment = said["online"], said["timestamp"]
        except (ValueError, TypeError, KeyError, RecursionError) as error:
            raise ValueError(f"no state of a host: {error}") from error
        if not isinstance(online, bool) or not isinstance(moment, int) or isinstance(moment, bool):
            raise ValueError("no state of a host: online is no boolean or timestamp no number")  # noqa: TRY004 - hostile text, not a wrong call
        if moment >= self._newest:
            self.online, self._newest = online, moment

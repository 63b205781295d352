"""Properties of an MQTT 5 message that are bytes already.

paho packs the properties of each message anew, by name, which costs more than everything else about
a message. It asks nothing of them but `pack`, so what is packed can stand in their place.
"""

from paho.mqtt.properties import Properties


class PackedProperties(Properties):
    """Properties that are bytes already: paho asks for nothing but these."""

    _packed: bytes

    def __init__(self, packed: bytes) -> None:
        # The class it stands for would write each name through a check of its own.
        object.__setattr__(self, "_packed", packed)

    def pack(self) -> bytes:
        """Give the properties with their length before them."""
        return self._packed

    def __str__(self) -> str:
        return f"[{len(self._packed)} bytes]"

"""Takes out what a camera noted between the compressed pictures of H.264 and H.265: device, settings, place.

The formats call such a note "user data", a kind of supplemental enhancement information (ITU-T H.264 and
H.265, Annex D). No decoder needs it. What else is told there, such as times of pictures, stays.
"""

from collections.abc import Iterator
from typing import Final

_SUPPLEMENTAL: Final = {"h264": {6}, "hevc": {39, 40}}  # kinds of units, H.264 table 7-1, H.265 table 7-1
_USER_DATA: Final = {4, 5}  # kinds of messages: registered, unregistered


class Notes:
    """The notes in the stream of one codec, whose settings are `extradata` as MP4 and Matroska hold it."""

    def __init__(self, codec: str, extradata: bytes) -> None:
        self._hevc, self._supplemental = codec == "hevc", _SUPPLEMENTAL.get(codec, set())
        at = 21 if self._hevc else 4  # where the settings say how long a length is
        known = self._supplemental and extradata[:1] == b"\1" and len(extradata) > at + self._hevc
        self._settings, self._length = extradata, (extradata[at] & 3) + 1 if known else 0

    def settings(self) -> bytes:
        """The settings without notes; only H.265 may hold some there."""
        if not (self._length and self._hevc):
            return self._settings
        kept = [array for kind, array in _arrays(self._settings) if kind not in self._supplemental]
        return self._settings[:22] + bytes([len(kept)]) + b"".join(kept)

    def without(self, packet: bytes) -> bytes:
        """The units of a packet that are no notes; the packet itself where its form is not known."""
        kept, at = bytearray(), 0
        while self._length and at + self._length < len(packet):
            begin = at + self._length
            end = begin + int.from_bytes(packet[at:begin])
            if not self._noted(packet[begin:end]):
                kept += packet[at:end]
            at = end
        return bytes(kept) or packet

    def _noted(self, unit: bytes) -> bool:
        if not unit or self._kind(unit[0]) not in self._supplemental:
            return False
        return not _USER_DATA.isdisjoint(_messages(unit[2 if self._hevc else 1 :]))

    def _kind(self, first: int) -> int:
        return first >> 1 & 63 if self._hevc else first & 31


def _messages(body: bytes) -> Iterator[int]:
    """Kinds of the messages of a unit; kind and length are sums of bytes, of which 255 goes on."""
    body, at = body.replace(b"\0\0\3", b"\0\0"), 0
    while at + 2 <= len(body):
        told = []
        for _ in range(2):
            value = 0
            while at < len(body) and body[at] == 255:
                value, at = value + 255, at + 1
            told.append(value + (body[at] if at < len(body) else 0))
            at += 1
        yield told[0]
        at += told[1]


def _arrays(settings: bytes) -> Iterator[tuple[int, bytes]]:
    """Kind and bytes of each array of units in the settings of H.265 (ISO/IEC 14496-15, 8.3.3.1)."""
    at = 23
    for _ in range(settings[22]):
        if at >= len(settings):
            return
        begin, at = at, at + 3
        for _ in range(int.from_bytes(settings[begin + 1 : begin + 3])):
            at += 2 + int.from_bytes(settings[at : at + 2])
        yield settings[begin] & 63, settings[begin:at]

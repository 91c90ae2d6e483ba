"""What can go wrong around a seal. No text of these errors ever holds octets of a key, a nonce or a message."""

from ..errors import EncodeError, UllageError
from ..status import Status


class SealError(UllageError):
    """You asked wrongly: a length that CCM does not have, a number outside its bits, a missing package."""


class WrongTag(UllageError):
    """The tag does not fit what it should vouch for: forged, damaged, or another key. It tells nothing more."""

    def __init__(self) -> None:
        super().__init__("the tag does not fit: forged, damaged, or another key")

    def __reduce__(self) -> tuple[type["WrongTag"], tuple[()]]:
        return WrongTag, ()


class CounterFault(EncodeError):
    """The memory of a counter cannot be trusted, so no number is handed out; its status is `Status.COUNTER_LOST`."""

    def __init__(self, text: str) -> None:
        super().__init__(text, status=Status.COUNTER_LOST, help=Status.COUNTER_LOST.advice)


class CounterSpent(EncodeError):
    """The counter has reached its end; its status is `Status.COUNTER_SPENT`."""

    def __init__(self, bits: int) -> None:
        text = f"the counter of {bits} bits has reached its end"
        super().__init__(text, status=Status.COUNTER_SPENT, help="give the node a fresh key")

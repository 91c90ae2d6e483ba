"""What sealed frames are made of: AES-CCM, replay windows, counters that survive power cuts, and keys that stay unseen.

Each part stands alone and does no I/O: memory, files and clocks are the caller's. What belongs where in a frame is the
layout's business, not this package's. `ccm` needs the extra `seal`; the rest does not.
"""

from .counter import BlockCounter, least_block, numbers_spent, provision
from .errors import CounterFault, CounterSpent, SealError, WrongTag
from .keys import Key, read_keys
from .masking import mask, traces
from .window import OldRun, Seen, Window, candidates, old_candidates

__all__ = [
    "BlockCounter",
    "CounterFault",
    "CounterSpent",
    "Key",
    "OldRun",
    "SealError",
    "Seen",
    "Window",
    "WrongTag",
    "candidates",
    "least_block",
    "mask",
    "numbers_spent",
    "old_candidates",
    "provision",
    "read_keys",
    "traces",
]

"""How few flipped bits a CRC can overlook at a length: an exact search for two and three of them.

An error passes unseen when its polynomial is a multiple of the CRC's. Init, xorout and the order of bits change nothing
in that: only width, polynomial and length count.
"""


def fewest_unseen(width: int, poly: int, octets: int) -> int | None:
    """The fewest flipped bits of data and CRC that can pass unseen, when they are two or three.

    width: bits of the CRC. poly: without its top bit, highest power first. octets: data before the CRC, in octets.
    Returns 2 or 3 (the Hamming distance), or None when any three flipped bits are found, so that it is at least 4.
    """
    top, mask = 1 << (width - 1), (1 << width) - 1
    powers = {}  # the remainder of x^n -> n
    power = 1
    for exponent in range(8 * octets + width):
        if power in powers:
            return 2  # x^n + x^m is a multiple
        powers[power] = exponent
        power = (power << 1 & mask) ^ (poly if power & top else 0)
    return 3 if any(power ^ 1 in powers for power in powers if power != 1) else None

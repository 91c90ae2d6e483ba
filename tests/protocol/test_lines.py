"""What receivers print in hex is found; what is no frame is neither read nor refused.

How receivers print is a field report, common practice, where no source stands beside it.
"""

from __future__ import annotations

from collections.abc import Callable

import pytest

from support.toy_frames import DAMAGED, FRAME, NoFrame, accept, judge, refused
from ullage.logs.lines import Found, LineReader, Nothing, Rejected


def test_the_toy_acceptor_takes_the_frame_and_not_the_damaged_one() -> None:
    assert accept(FRAME) == 9
    with pytest.raises(NoFrame, match="integrity"):
        accept(DAMAGED)


SOUND = r"""
21 01 11 00 09 03 d8 79 33 d7
21 01 11 00 09 03 D8 79 33 D7
210111000903d87933d7
210111000903D87933D7
0x210111000903d87933d7
0x21 0x01 0x11 0x00 0x09 0x03 0xd8 0x79 0x33 0xd7
0X21 0X01 0X11 0X00 0X09 0X03 0XD8 0X79 0X33 0XD7
0x21 01 11 00 09 03 d8 79 33 d7
0x21, 0x01, 0x11, 0x00, 0x09, 0x03, 0xd8, 0x79, 0x33, 0xd7
0x21, 0x01,0x11, 0x00, 0x09,0x03, 0xd8, 0x79, 0x33, 0xd7
0x21,0x1,0x11,0x0,0x9,0x3,0xD8,0x79,0x33,0xD7
{0x21, 0x01, 0x11, 0x00, 0x09, 0x03, 0xd8, 0x79, 0x33, 0xd7}
const uint8_t octets[10] = {0x21u, 0x01u, 0x11u, 0x00u, 0x09u, 0x03u, 0xd8u, 0x79u, 0x33u, 0xd7u};
\x21\x01\x11\x00\x09\x03\xd8\x79\x33\xd7
b'\x21\x01\x11\x00\x09\x03\xd8\x79\x33\xd7'
21 1 11 0 9 3 D8 79 33 D7
21,1,11,0,9,3,D8,79,33,D7
21:01:11:00:09:03:d8:79:33:d7
21-01-11-00-09-03-D8-79-33-D7
21.01.11.00.09.03.D8.79.33.D7
21; 01; 11; 00; 09; 03; d8; 79; 33; d7
2101 1100 0903 d879 33d7
21011100 0903d879 33d7
210111 000903 d87933 d7
21 01 11 00, 09 03 d8 79, 33 d7
21 01 11 00 09 03 d8 79  33 d7
	21	01	11	00	09	03	d8	79	33	d7
"21 01 11 00 09 03 d8 79 33 d7"
'210111000903d87933d7'
[21 01 11 00 09 03 d8 79 33 d7]
<210111000903d87933d7>
(21:01:11:00:09:03:d8:79:33:d7)
["21","01","11","00","09","03","d8","79","33","d7"]
{"data":"210111000903d87933d7","rssi":-97}
{"rssi":-97,"snr":7.5,"port":1,"data":"210111000903D87933D7","len":10}
{"time":"2026-11-25T06:24:11Z","data":[0x21, 0x01, 0x11, 0x00, 0x09, 0x03, 0xd8, 0x79, 0x33, 0xd7]}
rx: 21 01 11 00 09 03 d8 79 33 d7
rx:210111000903d87933d7
RX[10]=21 01 11 00 09 03 d8 79 33 d7
data=21 01 11 00 09 03 d8 79 33 d7 len=10
payload=210111000903d87933d7;rssi=-97;snr=7
bytes: 21 01 11 00 09 03 d8 79 33 d7
rx 10 bytes: 21 01 11 00 09 03 d8 79 33 d7 rssi -97
Received 10 octets 21 01 11 00 09 03 d8 79 33 d7 with RSSI -97 and SNR 7.5
got 21 01 11 00 09 03 d8 79 33 d7.
got 21 01 11 00 09 03 d8 79 33 d7 -97 7.5
got a 21 01 11 00 09 03 d8 79 33 d7
21 01 11 00 09 03 d8 79 33 d7 97 7
21 01 11 00 09 03 d8 79 33 d7 97 7 1
10 21 01 11 00 09 03 d8 79 33 d7
4 10 21 01 11 00 09 03 d8 79 33 d7 97
node=17 21 01 11 00 09 03 d8 79 33 d7
len 10 21 01 11 00 09 03 d8 79 33 d7
port: 1 21 01 11 00 09 03 d8 79 33 d7
RSSI=-97dBm 21 01 11 00 09 03 d8 79 33 d7
RSSI: -97 SNR: 7 dB 21 01 11 00 09 03 d8 79 33 d7
rssi -97 db 21 01 11 00 09 03 d8 79 33 d7
snr=12dB 21 01 11 00 09 03 d8 79 33 d7
snr=7.5 dB 210111000903d87933d7
868.1 MHz 210111000903d87933d7
868 MHz 21 01 11 00 09 03 d8 79 33 d7
3.71V 21 01 11 00 09 03 d8 79 33 d7
17,10,210111000903d87933d7,-97,7
1732515851,17,210111000903d87933d7,97,7.5
17,10,21 01 11 00 09 03 d8 79 33 d7,-97
17;21:01:11:00:09:03:d8:79:33:d7;97
"17","210111000903d87933d7","-97"
+RCV=17,20,210111000903D87933D7,-97,7
06:24:11 21 01 11 00 09 03 d8 79 33 d7
6:24:11 AM 21 01 11 00 09 03 d8 79 33 d7
06:24:11.250 -> 21 01 11 00 09 03 d8 79 33 d7
06:24:11,250 21 01 11 00 09 03 d8 79 33 d7
06:24:11,21 01 11 00 09 03 d8 79 33 d7
06:24:11: 21 01 11 00 09 03 d8 79 33 d7
06:24:11	10	21 01 11 00 09 03 d8 79 33 d7	-97	7.5
2026-11-25 06:24:11 21 01 11 00 09 03 d8 79 33 d7
2026-11-25 21:01:11:00:09:03:d8:79:33:d7
2026-11-25T06:24:11.250Z 21 01 11 00 09 03 d8 79 33 d7
2026-11-25T06:24:11+01:00 21 01 11 00 09 03 d8 79 33 d7
2026-11-25,06:24:11,210111000903d87933d7
2026/11/25 06:24:11 21 01 11 00 09 03 d8 79 33 d7
25/11/2026 06:24 21 01 11 00 09 03 d8 79 33 d7
25.11.2026 06:24:11 21 01 11 00 09 03 d8 79 33 d7
[2026-11-25 06:24:11,250] INFO rx: 210111000903d87933d7
Nov 25 06:24:11 pumphouse rx[812]: 21 01 11 00 09 03 d8 79 33 d7
[12345] 21 01 11 00 09 03 d8 79 33 d7
[12345678] 21 01 11 00 09 03 d8 79 33 d7
[   12.345678] rx: 21 01 11 00 09 03 d8 79 33 d7
(12345 ms) 21 01 11 00 09 03 d8 79 33 d7
12345ms 21 01 11 00 09 03 d8 79 33 d7
12 ms 21 01 11 00 09 03 d8 79 33 d7
12345678 21 01 11 00 09 03 d8 79 33 d7
AA:BB:CC:DD:EE:FF 21 01 11 00 09 03 d8 79 33 d7
AA:BB:CC:DD:EE:FF: 21:01:11:00:09:03:d8:79:33:d7
aa-bb-cc-dd-ee-ff 21-01-11-00-09-03-d8-79-33-d7
AA:BB:CC:DD:EE:FF 210111000903d87933d7
123e4567-e89b-12d3-a456-426614174000 21 01 11 00 09 03 d8 79 33 d7
192.168.4.17 21 01 11 00 09 03 d8 79 33 d7
192.168.4.17:1700 21 01 11 00 09 03 d8 79 33 d7
0000: 21 01 11 00 09 03 d8 79 33 d7
0000:21 01 11 00 09 03 d8 79 33 d7
00a0:21 01 11 00 09 03 d8 79 33 d7
2101 1100 0903 d879 33d7 ab cd
rx -210111000903d87933d7
00000000  21 01 11 00 09 03 d8 79  33 d7                    |!.....y3.|
00000000: 2101 1100 0903 d879 33d7                 !.....y3.
21 01 11 00 09 03 d8 79 33 d7; 21 01 11 00 0a 03 d8 79 61 84
210111000903d87933d7 210111000903d87933d7
210111000901d87933d7 210111000903d87933d7
21 01 11 00 09 01 d8 79 33 d7 | 21 01 11 00 09 03 d8 79 33 d7
21 01 11 and then 21 01 11 00 09 03 d8 79 33 d7
"""


@pytest.mark.parametrize("line", SOUND.strip("\n").split("\n"))
def test_a_sound_frame_is_read_however_it_is_printed(line: str) -> None:
    assert judge(line) == Found(FRAME, 9)


REFUSED = [
    ("21 01 11 00 09 01 d8 79 33 d7", DAMAGED),
    ("06:24:11 rx 10 bytes: 21 01 11 00 09 01 d8 79 33 d7 rssi -97", DAMAGED),
    ("AA-BB-CC-DD-EE-FF 21 01 11 00 09 01 d8 79 33 d7", DAMAGED),
    ("123e4567-e89b-12d3-a456-426614174000 21 01 11 00 09 01 d8 79 33 d7", DAMAGED),
    ("192.168.4.17:1700 21 01 11 00 09 01 d8 79 33 d7", DAMAGED),
    ("00000000  21 01 11 00 09 01 d8 79  33 d7   |!.....y3.|", DAMAGED),
    ("0000: 21 01 11 00 09 01 d8 79 33 d7", DAMAGED),
    ("len 10 21 01 11 00 09 01 d8 79 33 d7 -97 7.5", DAMAGED),
    ("RSSI: 97 21 01 11 00 09 01 d8 79 33 d7", DAMAGED),
    ("7 dB 21 01 11 00 09 01 d8 79 33 d7", DAMAGED),
    ("12dB 21 01 11 00 09 01 d8 79 33 d7", DAMAGED),
    ("12 ms 21 01 11 00 09 01 d8 79 33 d7", DAMAGED),
    ("868.1 21 01 11 00 09 01 d8 79 33 d7", DAMAGED),
    ("06:24:11 \t10 \t21 01 11 00 09 01 d8 79 33 d7 \t97", DAMAGED),
    ("10 0x21 0x01 0x11 0x00 0x09 0x01 0xd8 0x79 0x33 0xd7", DAMAGED),
    ("2101 1100 0903 d879 33d7 a5", FRAME + b"\xa5"),
    ("1732515851,17,210111000901d87933d7,97,7.5", DAMAGED),
    ("17,10,21 01 11 00 09 01 d8 79 33 d7,-97", DAMAGED),
    ("21 01 11 00, 09 01 d8 79, 33 d7", DAMAGED),
    ("21 01 11 00 09 03 d8 79", FRAME[:8]),
    ("210111000903d87933", FRAME[:9]),
    ("21 01 11 00 09 03 d8 79 33 d", FRAME[:9] + b"\x0d"),
    ("21 01 11 00 09 03 d8 79 33 d7 ff", FRAME + b"\xff"),
    ("ff ff 00 00 21 01 11 00 09 03 d8 79 33 d7", b"\xff\xff\0\0" + FRAME),
    ("21 01 11 00 09 01 d8 79 33 d7 | 21 01 11 00 09 01 d8 79 33 d8", DAMAGED),
    ("21 01 11 00 09 03 d8 79 | 21 01 11 00 09 01 d8 79 33 d7", DAMAGED),
    ("00000000000000000000", bytes(10)),
    (" ".join(["ff"] * 300), b"\xff" * 300),
]


@pytest.mark.parametrize(("line", "octets"), REFUSED)
def test_the_longest_run_is_the_refused_one_when_none_is_sound(line: str, octets: bytes) -> None:
    verdict = judge(line)
    assert isinstance(verdict, Rejected)
    assert verdict.octets == octets
    assert str(verdict.refusal) == ("integrity" if len(octets) == 10 else "length")
    assert verdict.refusal.__traceback__ is None, "kept refusals must not keep the frames they came through"


NOTHING = [
    "",
    "   ",
    "Packet 1024 received",
    "free heap 204816",
    "deadline missed",
    "added the facade, decade of Cafe",
    "0D8D045",
    "0D8D0450D8D0450D8D045",
    "21 01 11 00 09 03 d8",
    "AA:BB:CC:DD:EE:FF joined, rssi -97",
    "123e4567-e89b-12d3-a456-426614174000",
    "station 123E4567-E89B-12D3-A456-426614174000 up",
    "192.168.4.17:1700 connected to 10.0.0.1",
    "2026-11-25T06:24:11.250Z 2026-11-25 06:24:11 06:24:11 06:24:11",
    "RSSI=-97dBm SNR=7.5dB freq=868100000 sf=9 bw=125 cr=5 len=10 count=12 port=1",
    "t=12345 d=ab c=12 be=34 fc=56 ad=78 bc=90 ac=12 db=34",
    "1 2 3 4 5 6 7 8 9 0 1 2",
    "12 1 2 3 4 5 6 7 8 9 0",
    "x210111000903d87933d7",
    "210111000903d87933d7x",
    "210111000903d87933d7_1",
    "é210111000903d87933d7",
    "R1.65399.1-484798",
    "33 1 17 300 9 3 216 121 51 215",
]


@pytest.mark.parametrize("line", NOTHING)
def test_a_line_without_a_frame_is_neither_read_nor_refused(line: str) -> None:
    assert judge(line) == Nothing()


def test_a_short_protocol_does_not_refuse_prose_and_counters() -> None:
    """A lone word of digits or letters needs the whole shortest frame, not two octets less."""
    reader = LineReader(4)
    for line in ("Packet 1024 received", "free heap 204816", "deadline missed", "decade", "[12345] up"):
        assert judge(line, reader) == Nothing()
    assert isinstance(judge("rx 21 01 11", reader), Rejected)
    assert isinstance(judge("rx 21a1", reader), Rejected)


def test_a_counter_of_full_length_is_asked_only_after_the_frame() -> None:
    assert LineReader(4).candidates("12345678 rx ab011100") == (b"\xab\x01\x11\x00", b"\x12\x34\x56\x78")


def test_a_name_is_no_octet_and_a_number_before_a_name_no_figure() -> None:
    assert LineReader(2).candidates("a1 fc=5a") == (b"\xa1", b"\x5a")
    assert LineReader(5).candidates("ab cd 17 ms=9") == (b"\xab\xcd\x17",)


def test_candidates_come_runs_first_in_the_order_of_the_line_and_each_once() -> None:
    reader = LineReader(2)
    assert reader.candidates("ab cd | ef 01 | ab cd | 1234") == (b"\xab\xcd", b"\xef\x01", b"\x12\x34")


def test_parts_are_tried_after_the_whole_with_the_fewest_words_dropped_first() -> None:
    assert LineReader(2).candidates("10 ab cd 97 7") == tuple(
        bytes.fromhex(octets) for octets in ("10abcd9707", "10abcd97", "abcd9707", "10abcd", "abcd97", "abcd")
    )


@pytest.mark.parametrize("line", ["10 ab cd ef", "ab cd ef 10", "abcd cdef", "ab cd ef"])
def test_without_parts_a_run_is_all_or_nothing(line: str) -> None:
    whole = bytes.fromhex(line)
    assert LineReader(2, parts=False).candidates(line) == (whole,)


def test_no_more_than_two_words_in_front_and_three_at_the_end_are_dropped() -> None:
    assert isinstance(judge("1 2 3 21 01 11 00 09 03 d8 79 33 d7"), Rejected)
    assert isinstance(judge("21 01 11 00 09 03 d8 79 33 d7 1 2 3 4"), Rejected)


def test_a_word_with_a_hex_letter_or_a_prefix_is_never_dropped() -> None:
    assert isinstance(judge("a1 21 01 11 00 09 03 d8 79 33 d7"), Rejected)
    assert isinstance(judge("0x10 0x21 0x01 0x11 0x00 0x09 0x03 0xd8 0x79 0x33 0xd7"), Rejected)


@pytest.mark.parametrize(
    ("line", "after"),
    [
        ("rx payload 21 01 11 00 09 03 d8 79 33 d7", "payload "),
        ("msg210111000903d87933d7", "msg"),
        ("ffff|21 01 11 00 09 03 d8 79 33 d7 then data: more", "ffff|"),
        ("10 20 30 data: 21 01 11 00 09 03 d8 79 33 d7 -97", "data:"),
        ("a: 21 a: 01 | 21 01 11 00 09 03 d8 79 33 d7", "a:"),
    ],
)
def test_what_follows_the_first_such_text_is_read(line: str, after: str) -> None:
    assert judge(line, LineReader(10, after=after)) == Found(FRAME, 9)


def test_without_such_text_a_line_has_no_frame() -> None:
    assert judge("21 01 11 00 09 03 d8 79 33 d7", LineReader(10, after="data:")) == Nothing()
    assert judge("21 01 11 00 09 03 d8 79 33 d7 data:", LineReader(10, after="data:")) == Nothing()


def test_behind_such_text_nothing_is_taken_out_and_lone_words_count() -> None:
    """A frame of three octets may look like a time of day, one of two like a counter."""
    assert LineReader(3).candidates("data: 06:24:11") == ()
    assert LineReader(3, after="data:").candidates("data: 06:24:11") == (b"\x06\x24\x11",)
    assert LineReader(4).candidates("data: 12.34 ab") == ()
    assert LineReader(4, after="data:").candidates("data: 12.34 ab") == (b"\x12\x34\xab",)
    assert LineReader(4).candidates("data: 1024") == ()
    assert LineReader(4, after="data:").candidates("data: 1024") == (b"\x10\x24",)


def test_skipped_octets_are_dropped_before_lengths_are_compared() -> None:
    """Field report, common practice: a driver puts to, from, id and flags in front."""
    reader = LineReader(10, skip=4)
    assert judge("ff ff 00 00 21 01 11 00 09 03 d8 79 33 d7", reader) == Found(FRAME, 9)
    assert judge("7 ff ff 00 00 21 01 11 00 09 03 d8 79 33 d7 97", reader) == Found(FRAME, 9)
    assert judge("21 01 11 00 09 03 d8 79 33 d7", reader) == Nothing()
    assert refused("21 01 11 00 09 03 d8 79 33 d7 00 00", reader) == bytes.fromhex("0903d87933d70000")
    assert judge("aa bb cc", LineReader(1, skip=3)) == Nothing()


@pytest.mark.parametrize(
    "make",
    [
        lambda: LineReader(0),
        lambda: LineReader(10, skip=-1),
        lambda: LineReader(10, after=""),
    ],
)
def test_settings_without_sense_are_refused(make: Callable[[], LineReader]) -> None:
    with pytest.raises(ValueError, match=r"octet|empty"):
        make()


def test_what_is_no_refusal_goes_through() -> None:
    def broken(octets: bytes) -> int:
        return octets[99]

    with pytest.raises(IndexError):
        LineReader(10).judge("21 01 11 00 09 03 d8 79 33 d7", broken, NoFrame)

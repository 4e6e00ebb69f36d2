"""What reading one scan costs. Skipped by default; run with `pytest tests/benchmarks --benchmark-only`.

CPU seconds, and ratios within one run: our reader against biip alone on the same string, which it calls in turn.
"""

import time
from datetime import date
from statistics import median

import pytest
from biip.gs1_messages import GS1Message

from inventory.barcodes import check_digit
from inventory.scanning import read_scan
from inventory.scanning.hibc import check_character

pytestmark = pytest.mark.benchmark(timer=time.process_time)

TODAY = date(2026, 3, 4)
SCANS = 200


def packs() -> list[str]:
    """Scans as they come off a delivery: item, expiry, lot and serial number, with the separator."""
    items = [f"1061414100{number:03}" for number in range(SCANS)]
    return [f"01{item}{check_digit(item)}1729063010LOT{n:05}\x1d21SER{n:07}" for n, item in enumerate(items)]


def seconds(read, scans, rounds=9) -> float:
    """CPU seconds of reading all scans once, the median of several rounds."""
    took = []
    for _ in range(rounds):
        start = time.process_time()
        for scan in scans:
            read(scan)
        took.append(time.process_time() - start)
    return median(took)


def test_reading_a_scan_with_every_check_costs_at_most_twice_what_biip_alone_does(benchmark):
    scans = packs()
    alone = seconds(GS1Message.parse, scans)
    ours = seconds(lambda scan: read_scan(scan, today=TODAY), scans)

    benchmark.extra_info["over_biip"] = round(ours / alone, 2)
    benchmark.extra_info["microseconds_a_scan"] = round(1e6 * ours / SCANS)
    benchmark.pedantic(lambda: read_scan(scans[0], today=TODAY), rounds=200, warmup_rounds=5)
    assert ours < 2 * alone


def test_an_hibc_code_is_read_faster_than_a_gs1_one(benchmark):
    bodies = [f"+A999{number:05}5/$$529015LOT{number:05}" for number in range(SCANS)]
    hibc = [body + check_character(body) for body in bodies]

    benchmark.pedantic(lambda: read_scan(hibc[0], today=TODAY), rounds=200, warmup_rounds=5)
    assert seconds(lambda scan: read_scan(scan, today=TODAY), hibc) < seconds(GS1Message.parse, packs())

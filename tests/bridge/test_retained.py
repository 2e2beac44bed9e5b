"""What stands on a broker is kept small and read back as it was."""

import gc
import json
import sys
import tracemalloc
from random import Random

from hypothesis import given
from hypothesis import strategies as st

from bridge.mqtt.documents import Documents, read_object
from bridge.mqtt.retained import Packed, Retained

LEVEL = st.sampled_from(["", "t", "u", "lane-gable"])
TOPICS = st.lists(LEVEL, min_size=1, max_size=6).map("/".join).filter(bool)
PAYLOADS = st.one_of(st.binary(max_size=40), st.binary(min_size=500, max_size=3_000), st.just(b"ab" * 1_000))


def a_document(port: int) -> bytes:
    """A document of a port, as large as they are."""
    parts = {
        f"part-{n}": {"topic": f"homie/5/lane-gable-port-{port}/port/{n}", "unit": "A"} for n in range(60)
    }
    return json.dumps({"port": port, "parts": parts}).encode()


@given(st.lists(st.tuples(TOPICS, st.none() | PAYLOADS), max_size=60))
def test_whatever_is_kept_is_read_back_as_it_was(said) -> None:
    """Payloads of any size and likeness come back byte for byte, in order of appearance within a device."""
    retained, plain = Retained(), {}
    for topic, payload in said:
        if payload is None:
            assert retained.pop(topic, None) == plain.pop(topic, None)
            continue
        kept = retained.keep(topic, payload)
        assert (kept.payload() if isinstance(kept, Packed) else kept) == payload
        plain[topic] = payload
    assert dict(retained) == plain
    assert len(retained) == len(list(retained)) == len(plain)
    levels = {topic: topic.split("/") for topic in plain}
    for device in ("t", "u", "lane-gable"):
        his = [topic for topic in plain if len(levels[topic]) > 3 and levels[topic][2] == device]
        assert retained.of(device) == his


def test_topics_that_differ_in_their_device_take_little() -> None:
    """The topics of a thousand devices of twelve properties take less than half of what plain text takes."""
    names = [f"homie/5/lane-box-{n // 16}-port-{n % 16}/port/p{m}" for n in range(1_000) for m in range(12)]
    plain, retained = dict.fromkeys(names, b"1"), Retained()
    gc.collect()
    tracemalloc.start()
    try:
        for name in names:
            retained[name] = b"1"
        took_bytes = tracemalloc.get_traced_memory()[0]
    finally:
        tracemalloc.stop()
    as_text = sys.getsizeof(plain) + sum(sys.getsizeof(name) for name in plain)
    assert took_bytes < as_text / 2
    assert list(retained) == names


def test_documents_that_are_alike_take_a_tenth() -> None:
    """A thousand documents of the same making are kept in less than a tenth of their size."""
    retained, whole, small = Retained(), 0, 0
    for port in range(1_000):
        document = a_document(port)
        kept = retained.keep(f"{port}/config", document)
        whole += len(document)
        small += len(kept.data) if isinstance(kept, Packed) else len(kept)
    assert small * 10 < whole


def test_many_that_are_unlike_do_not_pile_up_as_samples() -> None:
    """Payloads nothing like each other are kept too, with no more than sixteen of them as samples."""
    chance, retained = Random(7), Retained()
    said = {f"{number}": chance.randbytes(2_000) for number in range(64)}
    retained.update(said)
    assert len(retained._samples) <= 16
    assert dict(retained) == said


def test_what_is_no_json_object_is_no_document() -> None:
    """On a broker anybody may have said anything: text, lists, cut or bottomless JSON are left out."""
    odd = [b"", b"\xff", b"[1]", b"7", b'{"a":', b"[" * 100_000, b'{"a":' * 100_000]
    assert [read_object(payload) for payload in odd] == [None] * len(odd)
    found = {f"x/{n}": payload for n, payload in enumerate(odd)} | {"x/good": b'{"a": 1}'}
    assert dict(Documents(found, ((topic, topic) for topic in found))) == {"x/good": {"a": 1}}

"""Acknowledgements against a broker played by the rules of the standard: whatever is cut off when, each message is
handed on once, acknowledged in order, and in the end the broker waits for nothing."""

from collections import deque

import paho.mqtt.client as mqtt
import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.sources.mqtt_in_flight import AckToken, InFlight


class Link:
    """Stands for paho's client: takes acknowledgements, which reach the broker unless the line is cut."""

    def __init__(self) -> None:
        self.acknowledged: list[int] = []

    def ack(self, mid: int, qos: int) -> None:
        assert qos == 1
        self.acknowledged.append(mid)


class Broker:
    """One session of a broker (OASIS MQTT 5.0, 4.3.2 and 4.4): sends a message again over the next connection, DUP set
    and in the old order, until it has its acknowledgement. Packet numbers of acknowledged messages are used again."""

    def __init__(self) -> None:
        self.under_way: dict[int, bytes] = {}
        self._free = deque(range(1, 3))

    def send(self, payload: bytes) -> mqtt.MQTTMessage | None:
        if not self._free:
            return None  # the window is full
        mid = self._free.popleft()
        self.under_way[mid] = payload
        return message(mid, payload, dup=False)

    def hear(self, mids: list[int]) -> None:
        for mid in mids:
            assert mid in self.under_way, "acknowledged what was not under way"
            del self.under_way[mid]
            self._free.append(mid)

    def again(self) -> list[mqtt.MQTTMessage]:
        return [message(mid, payload, dup=True) for mid, payload in self.under_way.items()]


def message(mid: int, payload: bytes, *, dup: bool) -> mqtt.MQTTMessage:
    made = mqtt.MQTTMessage(mid, b"jartide/rye/reading")
    made.payload, made.dup, made.qos = payload, dup, 1
    return made


steps = st.lists(
    st.one_of(
        st.just(("send", 0)),
        st.tuples(st.just("commit"), st.integers(1, 4)),
        st.tuples(st.just("cut"), st.integers(0, 4)),  # so many of the last acknowledgements do not arrive
    ),
    max_size=60,
)


@pytest.mark.fault("M4")
@given(steps, st.booleans())
def test_each_message_is_handed_on_once_and_acknowledged_in_order(todo: list[tuple[str, int]], alike: bool) -> None:
    in_flight, broker, link = InFlight(), Broker(), Link()
    in_flight.greeted(link, resumed=False)  # type: ignore[arg-type]
    heard = 0  # acknowledgements of this connection that the broker has taken in
    came: list[int] = []  # packet numbers of this connection, in order of arrival
    sent = 0
    handed_on: list[AckToken] = []
    committed = 0

    def arrive(one: mqtt.MQTTMessage) -> None:
        came.append(one.mid)
        token = in_flight.open(link, one)  # type: ignore[arg-type]
        if token is not None:
            handed_on.append(token)

    def reconnect(lost: int) -> None:
        nonlocal link, heard
        in_flight.left()
        arrived = link.acknowledged[: max(heard, len(link.acknowledged) - lost)]
        broker.hear(arrived[heard:])
        link, heard = Link(), 0
        came.clear()
        in_flight.greeted(link, resumed=True)  # type: ignore[arg-type]
        for one in broker.again():
            arrive(one)

    for what, number in [*todo, ("commit", 10**6), ("cut", 0), ("commit", 10**6)]:
        if what == "send":
            broker.hear(link.acknowledged[heard:])
            heard = len(link.acknowledged)
            one = broker.send(b"same" if alike else b"%d" % sent)
            if one is not None:
                sent += 1
                arrive(one)
        elif what == "commit":
            in_flight.acknowledge(handed_on[committed : committed + number])
            committed = min(len(handed_on), committed + number)
        else:
            reconnect(number)
        assert link.acknowledged == came[: len(link.acknowledged)]
        assert len(handed_on) == sent
    broker.hear(link.acknowledged[heard:])
    assert broker.under_way == {}


def test_nothing_crosses_into_another_session() -> None:
    """A broker that has forgotten us uses packet numbers again; an old acknowledgement must not hit a new message."""
    in_flight, old, new = InFlight(), Link(), Link()
    in_flight.greeted(old, resumed=False)  # type: ignore[arg-type]
    first = in_flight.open(old, message(1, b"a", dup=False))  # type: ignore[arg-type]
    in_flight.left()
    in_flight.greeted(new, resumed=False)  # type: ignore[arg-type]
    second = in_flight.open(new, message(1, b"b", dup=False))  # type: ignore[arg-type]
    in_flight.acknowledge([first])
    assert new.acknowledged == []
    in_flight.acknowledge([second])
    assert new.acknowledged == [1]


def test_what_could_not_be_handed_on_counts_as_new_when_it_comes_again() -> None:
    in_flight, link = InFlight(), Link()
    in_flight.greeted(link, resumed=False)  # type: ignore[arg-type]
    token = in_flight.open(link, message(1, b"a", dup=False))  # type: ignore[arg-type]
    assert token is not None
    in_flight.forget(token)
    in_flight.left()
    in_flight.greeted(Link(), resumed=True)  # type: ignore[arg-type]
    assert in_flight.open(link, message(1, b"a", dup=True)) is not None  # type: ignore[arg-type]


def test_memory_is_bounded() -> None:
    in_flight, link = InFlight(), Link()
    in_flight.greeted(link, resumed=False)  # type: ignore[arg-type]
    for n in range(5000):
        in_flight.acknowledge([in_flight.open(link, message(1 + n % 4000, b"a", dup=False))])  # type: ignore[arg-type]
    assert len(in_flight._by_mid) <= 256
    assert not in_flight._unacknowledged

"""One connection to a broker: how it is made, the topics that name jars, and the words for what goes wrong.
`mqtt_source` keeps a connection up and carries its messages.

Each connection gets a new client object: what paho would carry over from the last one (its queue, its packet numbers,
its idea of who is connected) is exactly what must not survive. The session is kept by the broker.
"""

from __future__ import annotations

import re
import socket
import ssl
from collections.abc import Sequence
from typing import Any

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties
from paho.mqtt.subscribeoptions import SubscribeOptions

from monitor.host.secret import secret
from monitor.settings import MqttSettings
from monitor.sources.mqtt_packet_limit import LimitedClient

SESSION_S = 86_400  # a day: how long the broker keeps our messages while we are down
WINDOW = 200  # unacknowledged messages that we ask for at most; mosquitto 2.0.11 was seen to send some hundreds more
# Bytes of a packet that we ask for at most. A broker drops what is larger without a word, so it is far above what is
# parsed: a picture, or the log of a board gone wild, is cut here (`mqtt_packet_limit`), counted and told.
ANNOUNCED_MAX = 1 << 20
CONNECT_S = 5.0  # for the TCP connection and the TLS greeting
BAD_PROTOCOL, BAD_LOGIN, FORBIDDEN, TAKEN_OVER = 132, 134, 135, 142  # MQTT 5, section 2.4; paho maps 3.1.1 onto them

THIS_MACHINE = re.compile(r"localhost|127\.\d+\.\d+\.\d+|::1")


# --- topics --------------------------------------------------------------------------------------------------------


def topic_filter(template: str) -> str:
    """The subscription for a topic template: a level that holds `{jar}` becomes `+`."""
    return "/".join("+" if "{jar}" in level else level for level in template.split("/"))


def topic_pattern(template: str) -> re.Pattern[str]:
    """A pattern that fits the topics of a template, with the jar's name as its group `jar` where there is one.

    Wildcards in the template keep their meaning (OASIS MQTT 5.0, section 4.7.1): `+` is one level, `/#` at the end is
    the parent and everything below; neither fits a first level that begins with `$` (4.7.2).
    """
    body = ""
    for index, level in enumerate(template.split("/")):
        if level == "#":
            body += "(?:/.*)?" if index else ".*"
            break
        one = "[^/]*" if level == "+" else re.escape(level).replace(r"\{jar\}", "(?P<jar>[^/]+)", 1)
        body += ("/" if index else "") + one
    guard = r"(?!\$)" if template[:1] in ("+", "#", "{") else ""
    return re.compile(guard + body, re.DOTALL)


# --- the connection ------------------------------------------------------------------------------------------------


def address(settings: MqttSettings) -> tuple[str, int]:
    """Host and port; without a port the usual one, with or without TLS."""
    return settings.host, settings.port or (8883 if uses_tls(settings) else 1883)


def uses_tls(settings: MqttSettings) -> bool:
    """What the config says; else always, unless the broker is on this machine and no certificate is named."""
    if settings.tls is not None:
        return settings.tls
    named = settings.ca_file or settings.client_cert_file
    return named is not None or not THIS_MACHINE.fullmatch(settings.host)


def make_client(settings: MqttSettings, client_id: str, *, in_passing: bool = False) -> mqtt.Client:
    """A client that is not connected yet. Raises SecretError, and OSError for a certificate file.

    `in_passing`: one that leaves nothing behind, neither a session nor a last will, to see what arrives.
    """
    five = settings.protocol == "5"
    client = LimitedClient(
        CallbackAPIVersion.VERSION2,
        client_id=client_id,
        clean_session=None if five else in_passing,
        protocol=mqtt.MQTTv5 if five else mqtt.MQTTv311,
        manual_ack=True,
        reconnect_on_failure=False,
    )
    client.connect_timeout = CONNECT_S
    if not in_passing:
        client.will_set(settings.status_topic, "offline", qos=1, retain=True)
    if settings.user is not None:
        where = f"the password for {settings.user} at {settings.host}"
        client.username_pw_set(
            settings.user, secret(env=settings.password_env, file=settings.password_file, what=where)
        )
    if uses_tls(settings):
        context = ssl.create_default_context(cafile=settings.ca_file)
        if settings.client_cert_file is not None:
            context.load_cert_chain(settings.client_cert_file, settings.client_key_file)
        client.tls_set_context(context)
    return client


def connect(client: mqtt.Client, settings: MqttSettings, keepalive_s: int) -> None:
    """Open the connection and send the greeting; the answer comes to `on_connect`. Raises OSError."""
    host, port = address(settings)
    options: dict[str, Any] = {}
    if settings.protocol == "5":
        properties = Properties(PacketTypes.CONNECT)  # type: ignore[no-untyped-call]
        properties.SessionExpiryInterval = SESSION_S
        properties.ReceiveMaximum = WINDOW
        properties.MaximumPacketSize = ANNOUNCED_MAX
        options = {"clean_start": False, "properties": properties}
    client.connect(host, port, keepalive_s, **options)


def echo_topic(settings: MqttSettings, client_id: str) -> str:
    """The topic on which this client sends to itself."""
    return f"{settings.status_topic}/{client_id}"


def subscriptions(settings: MqttSettings, client_id: str, topics: Sequence[str]) -> list[Any]:
    """What to hand to `client.subscribe`: the readings' topics, and the one on which we hear ourselves. When our own
    message comes, everything that waited in the broker has come: both with QoS 1, as brokers let QoS 0 overtake what
    waits. With MQTT 5 a retained reading comes only with a new subscription."""
    wanted, echo = [topic_filter(topic) for topic in topics], echo_topic(settings, client_id)
    if settings.protocol != "5":
        return [*((one, 1) for one in wanted), (echo, 1)]
    if_new = SubscribeOptions(qos=1, retainHandling=SubscribeOptions.RETAIN_SEND_IF_NEW_SUB)
    never = SubscribeOptions(qos=1, retainHandling=SubscribeOptions.RETAIN_DO_NOT_SEND)
    return [*((one, if_new) for one in wanted), (echo, never)]


# --- words ---------------------------------------------------------------------------------------------------------


def failure_words(settings: MqttSettings, error: OSError) -> str:
    """Why no connection could be made, as one plain sentence."""
    host, port = address(settings)
    if isinstance(error, ssl.SSLCertVerificationError):
        return f"the certificate of {host} is refused ({error.verify_message.rstrip('.')}): replace it, or see ca_file"
    if isinstance(error, ssl.SSLError):
        why = getattr(error, "reason", None) or error  # not every one has it
        return f"no TLS with {host}:{port} ({why}): is that its TLS port, are the certificates right?"
    if isinstance(error, socket.gaierror):
        return f"the name {host} cannot be resolved: is it right, is the network up?"
    if isinstance(error, ConnectionRefusedError):
        return f"nothing listens at {host}:{port}: is the broker running?"
    if isinstance(error, TimeoutError):
        return f"no answer from {host}:{port} within {CONNECT_S:.0f} s: is it the right address, is it on?"
    if isinstance(error, FileNotFoundError):
        return "a certificate file is missing: see ca_file, client_cert_file and client_key_file in [[mqtt]]"
    return f"no connection to {host}:{port} ({error.strerror or error}): is the network up?"


def refusal_words(settings: MqttSettings, code: int, text: str) -> str:
    """What the broker's refusal means, as one plain sentence."""
    host, port = address(settings)
    if code in (BAD_LOGIN, FORBIDDEN):
        who = f"user {settings.user}" if settings.user is not None else "a client without user and password"
        return f"{host}:{port} does not let in {who} ({text}): check user, password and certificate"
    if code == BAD_PROTOCOL:
        return f'{host}:{port} does not speak MQTT {settings.protocol}: set protocol = "3.1.1"'
    return f"{host}:{port} refuses the connection ({text}): its log says why"

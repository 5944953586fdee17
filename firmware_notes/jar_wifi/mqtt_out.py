"""Sends messages to a broker so that none is lost on the way: MQTT 3.1.1 (OASIS, 2014), QoS 1, one at a time."""

import socket
import struct
import time

CONNECT, CONNACK, PUBLISH_QOS1, PUBACK, PINGREQ, PINGRESP, DISCONNECT = 0x10, 0x20, 0x32, 0x40, 0xC0, 0xD0, 0xE0
CLEAN_SESSION, WITH_PASSWORD, WITH_USER = 0x02, 0x40, 0x80
PROTOCOL = b"\x00\x04MQTT\x04"  # name and level of 3.1.1
TIMEOUT_S = 3  # for each answer: connecting takes two, and the watchdog must not bite meanwhile


class Broker:
    """One connection. Everything raises OSError when the broker is not there, says no, or does not answer in time."""

    def __init__(self, host, port, client_id, user=None, password=None, ca_file=None, keep_alive_s=120):
        self.address = (host, port)
        self.client_id = client_id
        self.user, self.password = user, password
        self.ca_file = ca_file
        self.keep_alive_s = keep_alive_s
        self.socket = None
        self.packet_id = 0

    def connect(self):
        self.close()
        found = socket.getaddrinfo(self.address[0], self.address[1], 0, socket.SOCK_STREAM)[0]
        self.socket = socket.socket(found[0], found[1], found[2])
        try:
            self.socket.settimeout(TIMEOUT_S)
            self.socket.connect(found[-1])
            if self.ca_file is not None:
                self.socket = self._with_tls(self.socket)
            flags = CLEAN_SESSION  # what was not acknowledged is kept here, and comes again with the same boot and seq
            body = text(self.client_id)
            if self.user is not None:
                flags |= WITH_USER
                body += text(self.user)
                if self.password is not None:
                    flags |= WITH_PASSWORD
                    body += text(self.password)
            self._send(CONNECT, PROTOCOL + struct.pack("!BH", flags, self.keep_alive_s) + body)
            answer = self._wait_for(CONNACK)
            if answer[1] != 0:
                raise OSError("the broker refuses the connection, code " + str(answer[1]))
        except OSError:
            self.close()
            raise

    def _with_tls(self, plain):
        """The same connection, encrypted, to a broker whose certificate our authority has signed for this very name."""
        import ssl

        context = ssl.SSLContext(ssl.PROTOCOL_TLS_CLIENT)
        context.verify_mode = ssl.CERT_REQUIRED
        with open(self.ca_file, "rb") as file:
            context.load_verify_locations(cadata=file.read())
        try:
            return context.wrap_socket(plain, server_hostname=self.address[0])
        except ValueError as error:
            raise OSError(str(error)) from error

    def publish(self, topic, payload):
        """Returns when the broker has acknowledged this very message."""
        self.packet_id = self.packet_id % 0xFFFF + 1  # 0 is not allowed
        self._send(PUBLISH_QOS1, text(topic) + struct.pack("!H", self.packet_id) + payload)
        while struct.unpack("!H", self._wait_for(PUBACK))[0] != self.packet_id:
            pass  # the acknowledgement of an earlier try

    def ping(self):
        self._send(PINGREQ, b"")
        self._wait_for(PINGRESP)

    def close(self):
        if self.socket is not None:
            try:  # noqa: SIM105 - a board has no contextlib
                self.socket.write(bytes([DISCONNECT, 0]))
            except OSError:
                pass
            self.socket.close()
            self.socket = None

    def _send(self, kind, body):
        if self.socket is None:
            raise OSError("not connected")
        self._write(bytes([kind]) + length(len(body)) + body)

    def _write(self, data):
        while data:
            done = self.socket.write(data)
            if not done:
                raise OSError("the connection is closed")
            data = data[done:]

    def _wait_for(self, wanted):
        """The body of the next packet of this kind; others are skipped."""
        begun = time.ticks_ms()
        while time.ticks_diff(time.ticks_ms(), begun) < TIMEOUT_S * 1000:
            kind = self._read(1)[0]
            size, shift = 0, 0
            while True:
                byte = self._read(1)[0]
                size |= (byte & 0x7F) << shift
                shift += 7
                if byte < 0x80:
                    break
            body = self._read(size)
            if kind & 0xF0 == wanted:
                return body
        raise OSError("no answer in time")

    def _read(self, count):
        data = b""
        while len(data) < count:
            part = self.socket.read(count - len(data))
            if not part:
                raise OSError("the connection is closed")
            data += part
        return data


def text(words):
    """A string as MQTT sends it: two bytes of length, then UTF-8 (section 1.5.3)."""
    data = words.encode()
    return struct.pack("!H", len(data)) + data


def length(size):
    """The remaining length: seven bits a byte, lowest first, the eighth says that more follow (section 2.2.3)."""
    data = bytearray()
    while True:
        size, low = size >> 7, size & 0x7F
        data.append(low | (0x80 if size else 0))
        if not size:
            return bytes(data)

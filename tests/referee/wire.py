"""The referee's own reading and writing of bytes: capture files, HART-IP messages, frames, check bytes.

Written from the layouts (HCF_SPEC-81, HCF_SPEC-85; draft-ietf-opsawg-pcap), not from the program that is refereed.
"""

import struct

HART_IP_PORT = 5094


def check_byte(data):
    """XOR of all bytes; over a frame with its check byte it is 0."""
    total = 0
    for b in data:
        total ^= b
    return total


class Frame:
    """One frame from its delimiter on. `end` is where the check byte is, or would be."""

    def __init__(self, data):
        self.kind = data[0] & 7
        address = 5 if data[0] & 0x80 else 1
        at = 1 + address + (data[0] >> 5 & 3)
        self.command = data[at]
        count = data[at + 1]
        self.payload = data[at + 2:at + 2 + count]
        self.end = at + 2 + count
        self.whole = len(self.payload) == count
        self.bytes = data[:self.end]

    @property
    def is_request(self):
        return self.kind == 2

    @property
    def status(self):
        return None if self.is_request else self.payload[0]


def inner_pdu(message):
    """What command 77 carries in a message, with the check byte it would have on the pair; None without one."""
    if len(message) < 9 or message[2] != 3:
        return None
    outer = Frame(message[8:])
    if outer.command != 77 or not outer.whole:
        return None
    if outer.is_request:
        inner = outer.payload[3:]
    elif outer.status == 0:
        inner = outer.payload[4:]
    else:
        return None
    if len(inner) < 4:
        return None
    frame = Frame(inner)
    return frame.bytes + bytes([check_byte(frame.bytes)])


def messages(stream):
    """Cuts a stream into HART-IP messages by their byte counts."""
    at = 0
    while at + 8 <= len(stream):
        length = struct.unpack_from(">H", stream, at + 6)[0]
        if length < 8 or at + length > len(stream):
            return
        yield stream[at:at + length]
        at += length


def streams(path, ports):
    """Payload of a capture by direction (TCP) or datagram (UDP), where one of `ports` is in it. The proxy writes in order."""
    data = open(path, "rb").read()
    assert struct.unpack_from("<I", data)[0] == 0xA1B2C3D4, "classic pcap, little-endian"
    found, datagrams, at = {}, [], 24
    while at < len(data):
        length = struct.unpack_from("<I", data, at + 8)[0]
        packet = data[at + 16:at + 16 + length]
        at += 16 + length
        ip = packet[14:]
        head = (ip[0] & 15) * 4
        transport = {6: "tcp", 17: "udp"}[ip[9]]
        tcp = ip[head:struct.unpack_from(">H", ip, 2)[0]]
        if not ({(transport, p) for p in struct.unpack_from(">HH", tcp)} & ports):
            continue
        if transport == "udp":
            datagrams.append(tcp[8:])
            continue
        source, target, sequence = struct.unpack_from(">HHI", tcp)
        payload = tcp[(tcp[12] >> 4) * 4:]
        # A port of the client may be used again for a later connection.
        key = (source, target)
        if tcp[13] & 2:
            found.setdefault(key, []).append([sequence + 1, bytearray()])
        elif payload:
            stream = found[key][-1]
            assert stream[0] == sequence, "a hole or a repeat in the proxy's file"
            stream[0] = (stream[0] + len(payload)) & 0xFFFFFFFF
            stream[1] += payload
    return [bytes(s[1]) for all_of in found.values() for s in all_of] + datagrams


def wrap(pdu, sequence):
    """A token-passing PDU as a HART-IP message; the type follows from the delimiter."""
    kind = {2: 0, 6: 1, 1: 2}[pdu[0] & 7]
    return struct.pack(">BBBBHH", 1, kind, 3, 0, sequence & 0xFFFF, 8 + len(pdu)) + pdu


def write_udp(path, all_messages):
    """A capture file with one message a datagram to or from port 5094."""
    with open(path, "wb") as out:
        out.write(struct.pack("<IHHiIII", 0xA1B2C3D4, 2, 4, 0, 0, 65535, 1))
        for number, message in enumerate(all_messages):
            to_server = message[1] == 0
            ports = (50000, HART_IP_PORT) if to_server else (HART_IP_PORT, 50000)
            # A checksum of 0 means none (RFC 768).
            udp = struct.pack(">HHHH", *ports, 8 + len(message), 0) + message
            addresses = bytes([192, 0, 2, 1, 192, 0, 2, 2])
            ip = struct.pack(">BBHHHBBH", 0x45, 0, 20 + len(udp), number & 0xFFFF, 0, 64, 17, 0) + addresses
            packet = bytes([2, 0, 0, 0, 0, 2, 2, 0, 0, 0, 0, 1, 8, 0]) + ip + udp
            out.write(struct.pack("<IIII", number // 1000, number % 1000 * 1000, len(packet), len(packet)) + packet)

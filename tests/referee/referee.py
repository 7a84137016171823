#!/usr/bin/env python3
"""The referee: a packet analyser and an independent script against our decoders.

referee.py RUN_DIR LOOPWITNESS ANSWER_FIELDS VECTORS

RUN_DIR holds run.pcap and ports as `referee_run` leaves them. Everything that tshark shows of the run, of the frames in
it that are carried by command 77 (wrapped anew, since tshark shows those as bytes), and of the frames of the vector file
must be at the same place, of the same bytes and of the same meaning in `loopwitness decode` and in the collector's
decoders. The last lines are `referee pass N` and `referee fail N`.
"""

import collections
import json
import pathlib
import struct
import subprocess
import sys

import analyser
import names
import wire

WANTED = {0: 200, 3: 200, 9: 200, 13: 200, 15: 200, 20: 200, 48: 200}
SHOWN_DIFFERENCES = 10


class Tally:
    """Checks that passed and failed, and the first differences."""

    def __init__(self):
        self.passed = self.failed = 0

    def check(self, name, good, detail=""):
        self.passed += bool(good)
        self.failed += not good
        print(f"{'ok  ' if good else 'FAIL'} {name}{': ' + detail if detail else ''}")


def decode(loopwitness, path):
    """What `loopwitness decode` says of a capture, by packet number."""
    run = subprocess.run([loopwitness, "decode", str(path), "--format", "json"], capture_output=True, text=True, check=True)
    found = {}
    for line in run.stdout.splitlines():
        message = json.loads(line)
        found.setdefault(message["packet"], []).append(message)
    return found


def as_float(text):
    return struct.unpack(">f", bytes.fromhex(text))[0]


def same_number(show, hexadecimal, value):
    """Whether the analyser's text and bytes are our number."""
    if isinstance(value, int):
        if ":" in show:
            return int(show.replace(":", ""), 16) == value
        try:
            return int(show, 0) == value
        except ValueError:
            # Bytes without a colon, or a time of day.
            return int(hexadecimal, 16) == value
    # A float; ours is null where it is no number.
    number = as_float(hexadecimal)
    if value is None:
        return number != number and show.lower().lstrip("-") == "nan" or show.lower().lstrip("-") == "inf"
    return value == float(f"{value:.9g}") and as_float(struct.pack(">f", value).hex()) == number \
        and abs(float(show) - number) <= 1e-5 * abs(number)


def same_meaning(shown, item):
    value = item["value"]
    if isinstance(value, str):
        # The analyser shows Latin-1 beyond ASCII as "no such character"; the bytes are compared beside this.
        if "\ufffd" in shown.show:
            value = "".join(c if c.isascii() else "\ufffd" for c in value)
        return shown.show.rstrip(" ") == value
    if value is None and len(item["bytes"]) != 8:
        # Bytes without a number: an address, device-specific status.
        return shown.show.replace(":", "") == item["bytes"]
    return same_number(shown.show, shown.value, value)


class Comparison:
    """Counts of fields that agree, by what they were found in."""

    def __init__(self):
        self.fields = collections.Counter()
        self.raw = collections.Counter()
        self.misread = collections.Counter()
        self.differences = []

    def differ(self, where, text):
        self.differences.append(f"{where}: {text}")

    def message(self, theirs, ours, key):
        """One message in both; whether the analyser may misread it depends on what it is."""
        where = f"packet {theirs.packet} ({theirs.title})"
        if theirs.size * 2 != len(ours["bytes"]):
            return self.differ(where, f"{theirs.size} bytes against {len(ours['bytes']) // 2}")
        by_place = collections.defaultdict(list)
        for item in ours["items"]:
            by_place[item["at"]].append(item)
        for shown in theirs.fields:
            data = ours["bytes"][2 * shown.at:2 * (shown.at + shown.size)]
            if names.is_raw(shown.name):
                if shown.value != data:
                    self.differ(where, f"{shown.name}: {shown.value} against {data}")
                self.raw[key] += 1
                continue
            if self.is_known_misreading(shown, ours, data):
                self.misread[key] += 1
                continue
            wanted = names.ours(shown.name)
            item = next((i for i in by_place[shown.at] if i["name"] in wanted), None)
            if item is None:
                there = [i["name"] for i in by_place[shown.at]]
                self.differ(where, f"{shown.name} at byte {shown.at} (\"{shown.show}\") against {there or 'nothing'}")
            elif shown.value != item["bytes"] or not same_meaning(shown, item):
                self.differ(where, f"{shown.name}: {shown.show} ({shown.value}) against {item['value']} ({item['bytes']})")
            else:
                self.fields[key] += 1

    @staticmethod
    def is_known_misreading(shown, ours, data):
        """Where the analyser is wrong, each told by the bytes alone (docs/referee.md says why)."""
        name = shown.name.removeprefix("hart_ip.pt.")
        # The first two data bytes of a request within 77, shown as a status pair.
        within_request = is_request_in_77(ours)
        if within_request and shown.at >= within_request and name in ("response_code", "device_status"):
            return shown.value == data
        # A time stamp in an answer to 9 that has room for slots only (revision 6): data are 1 + 8 n bytes.
        if name == "rsp.slot0_data_timestamp":
            slots, rest = divmod(value_of(ours, "byte_count") - 3, 8)
            return rest == 0 and shown.at == data_start(ours) + 1 + 8 * (slots - 1)
        # The last byte of a frame that is cut short, shown as its check byte.
        if name == "checksum":
            cut = any(i["error"] and "bytes are missing" in i["text"] for i in ours["items"])
            return cut and 2 * (shown.at + 1) == len(ours["bytes"])
        return False

    def capture(self, theirs, ours, key_of):
        """All messages of a capture; the packets must be the same ones."""
        for packet in sorted(set(theirs) | set(ours)):
            left, right = theirs.get(packet, []), ours.get(packet, [])
            if len(left) != len(right):
                self.differ(f"packet {packet}", f"{len(left)} messages against {len(right)}")
            for a, b in zip(left, right):
                self.message(a, b, key_of(b))


def value_of(message, name, depth=0):
    for item in message["items"]:
        if item["name"] == name and item["depth"] == depth:
            return item["value"]
    return None


def data_start(message):
    """Where the data of an answer begin."""
    return next(i["at"] for i in message["items"] if i["name"] == "device_status") + 1


def is_request_in_77(message):
    """Where the data of the embedded frame begin, if the message is a request with command 77."""
    if value_of(message, "message_type") != 0 or value_of(message, "command") != 77:
        return None
    for item in message["items"]:
        if item["depth"] == 1 and item["name"] == "byte_count":
            return item["at"] + 1
    return None


def collector_fields(program, pdus):
    """What the decoders of the collector make of frames."""
    text = "\n".join(p.hex() for p in pdus) + "\n"
    run = subprocess.run([program], input=text, capture_output=True, text=True, check=True)
    return [json.loads(line) for line in run.stdout.splitlines()]


def against_collector(theirs, collected, pdus):
    """The analyser's fields against the collector's decoders: (fields by command, differences)."""
    fields, differences = collections.Counter(), []
    for number, (pdu, ours) in enumerate(zip(pdus, collected), 1):
        if "error" in ours:
            differences.append(f"packet {number}: {ours['error']}")
        for message in theirs.get(number, []):
            for shown in message.fields:
                name = next((n for n in names.ours(shown.name) if n in ours), None)
                if name is None:
                    continue
                value = ours[name]
                if isinstance(value, str):
                    # Floats are given as bits, all else that is text as text.
                    good = value in (shown.value, shown.show.strip(" "))
                else:
                    good = same_number(shown.show, shown.value, value)
                if good:
                    fields[pdu[6 if pdu[0] & 0x80 else 2]] += 1
                else:
                    differences.append(f"packet {number}: {shown.name} {shown.show} against {name} {value}")
    return fields, differences


def show(differences):
    for text in differences[:SHOWN_DIFFERENCES]:
        print(f"     {text}")
    if len(differences) > SHOWN_DIFFERENCES:
        print(f"     and {len(differences) - SHOWN_DIFFERENCES} more")


def the_run(tally, directory, loopwitness):
    """The recorded run as it is. Gives the frames that command 77 carried."""
    capture = directory / "run.pcap"
    lines = (directory / "ports").read_text().splitlines()
    ports = {(transport, int(port)) for transport, port in (line.split() for line in lines)}
    theirs, ours = analyser.dissect(capture, ports), decode(loopwitness, capture)
    compared = Comparison()

    def kind(message):
        command = value_of(message, "command")
        return "session" if command is None else command

    compared.capture(theirs, ours, kind)
    count = sum(len(m) for m in theirs.values())
    tally.check(
        "run.pcap: every field that the analyser shows",
        not compared.differences and count > 0,
        f"{count} messages, {sum(compared.fields.values())} fields equal, {len(compared.differences)} differences; "
        f"{sum(compared.raw.values())} shown as bytes only (equal), {sum(compared.misread.values())} misread by it",
    )
    show(compared.differences)

    all_messages = [m for stream in wire.streams(capture, ports) for m in wire.messages(stream)]
    tally.check("run.pcap: as many messages as an independent reading finds", len(all_messages) == count, str(len(all_messages)))
    pdus = [m[8:] for m in all_messages if m[2] == 3]
    wrong = [p.hex() for p in pdus if wire.check_byte(p) != 0]
    tally.check("check bytes of the run", not wrong and pdus, f"{len(pdus)} frames, {len(wrong)} wrong")
    show(wrong)
    inner = [wire.inner_pdu(m) for m in all_messages]
    return [p for p in inner if p]


def wrapped_anew(tally, directory, loopwitness, answer_fields, pdus):
    """The frames within command 77 as messages of their own."""
    capture = directory / "inner.pcap"
    wire.write_udp(capture, [wire.wrap(p, n) for n, p in enumerate(pdus)])
    theirs, ours = analyser.dissect(capture), decode(loopwitness, capture)
    compared = Comparison()

    def kind(message):
        return (value_of(message, "command"), value_of(message, "message_type"))

    compared.capture(theirs, ours, kind)
    by_collector, collector_differences = against_collector(theirs, collector_fields(answer_fields, pdus), pdus)
    tally.check(
        "inner.pcap: every field that the analyser shows, against `decode`",
        not compared.differences,
        f"{len(pdus)} frames, {sum(compared.fields.values())} fields equal, {len(compared.differences)} differences",
    )
    show(compared.differences)
    tally.check(
        "inner.pcap: the same against the collector's decoders",
        not collector_differences,
        f"{sum(by_collector.values())} fields equal, {len(collector_differences)} differences",
    )
    show(collector_differences)

    frames = collections.Counter()
    shown_in = collections.Counter()
    for number, p in enumerate(pdus, 1):
        f = wire.Frame(p)
        frames[f.command, int(not f.is_request)] += 1
        if not f.is_request:
            of_data = [s for m in theirs.get(number, []) for s in m.fields if s.name.startswith("hart_ip.pt.rsp.")]
            shown_in[f.command] += bool(of_data)
    print("\n     command  requests  answers  data shown  fields equal: decode  collector  bytes only  misread")
    for command in sorted({c for c, _ in frames}):
        print(
            f"     {command:7}  {frames[command, 0]:8}  {frames[command, 1]:7}  {shown_in[command]:10}  "
            f"{compared.fields[command, 0] + compared.fields[command, 1]:20}  {by_collector[command]:9}  "
            f"{compared.raw[command, 0] + compared.raw[command, 1]:10}  {compared.misread[command, 1]:7}"
        )
    print()
    for command, wanted in WANTED.items():
        tally.check(f"command {command}: at least {wanted} answers with all fields shown", shown_in[command] >= wanted, str(shown_in[command]))
    return capture, theirs, ours


def planted(tally, theirs, ours):
    """The comparison finds an error in our output when there is one."""
    packet = next(p for p, m in ours.items() if value_of(m[0], "command") == 3 and value_of(m[0], "qv") is not None)
    copy = json.loads(json.dumps(ours[packet][0]))
    for item in copy["items"]:
        if item["name"] == "pv":
            item["value"] += max(1.0, abs(item["value"]))
    compared = Comparison()
    compared.capture({packet: theirs[packet]}, {packet: [copy]}, lambda _: 0)
    tally.check("a planted error is found", len(compared.differences) == 1, "; ".join(compared.differences))


def the_vectors(tally, directory, loopwitness, vectors):
    """Every frame of the vector file, captured and constructed ones marked."""
    frames = json.loads(pathlib.Path(vectors).read_text())
    messages = []
    for number, f in enumerate(frames):
        data = bytes.fromhex(f["hex"])
        if f["fields"].get("layer") == "serial":
            data = wire.wrap(data.lstrip(b"\xff"), number)
        messages.append(data)
    capture = directory / "vectors.pcap"
    wire.write_udp(capture, messages)
    theirs, ours = analyser.dissect(capture), decode(loopwitness, capture)
    print(f"\n     {'frame':<50}  origin       shown  equal  note")
    total, origins = Comparison(), collections.Counter()
    undissected, unlocated = [], []
    for number, f in enumerate(frames, 1):
        origin = "captured" if "capture file" in f["source"] else "constructed"
        origins[origin] += 1
        left, right = theirs.get(number, []), ours.get(number, [])
        compared = Comparison()
        notes = []
        if left:
            compared.capture({number: left}, {number: right}, lambda _: 0)
        else:
            undissected.append(f["name"])
            notes.append("not dissected by the analyser")
        located = [i["text"] for m in right for i in m["items"] if i["error"]]
        invalid = str(f["fields"].get("note", "")).startswith("INVALID")
        if invalid and not located:
            unlocated.append(f["name"])
        if located:
            notes.append(f"we say: {located[0]}")
        if located and not invalid:
            compared.differ(f["name"], f"we find damage: {located[0]}")
        if compared.misread[0]:
            notes.append(f"{compared.misread[0]} misread by the analyser")
        shown = sum(len(m.fields) for m in left)
        equal = compared.fields[0] + compared.raw[0]
        print(f"     {f['name']:<50}  {origin:<11}  {shown:5}  {equal:5}  {'; '.join(notes)}")
        total.differences += compared.differences
        total.fields[0] += equal
    print()
    tally.check(
        "vectors: every field that the analyser shows",
        not total.differences,
        f"{len(frames)} frames ({origins['captured']} captured, {origins['constructed']} constructed), "
        f"{total.fields[0]} fields equal, {len(total.differences)} differences",
    )
    show(total.differences)
    # Message identifiers 4 and 5 are not known to it.
    expected = [f["name"] for f, m in zip(frames, messages) if m[2] in (4, 5)]
    tally.check("vectors: what the analyser does not dissect is only what it does not know", undissected == expected, ", ".join(undissected))
    tally.check("vectors: damage is located in each frame that is invalid", not unlocated, ", ".join(unlocated))
    wrong = []
    for f, m in zip(frames, messages):
        invalid = str(f["fields"].get("note", "")).startswith("INVALID")
        if m[2] != 3 or m[1] not in (0, 1, 2) or len(m) < 13:
            continue
        frame = wire.Frame(m[8:])
        good = frame.whole and wire.check_byte(m[8:8 + frame.end + 1]) == 0
        if good == invalid:
            wrong.append(f["name"])
    tally.check("vectors: check bytes by script", not wrong, ", ".join(wrong))


def main():
    directory, loopwitness, answer_fields, vectors = sys.argv[1:]
    directory = pathlib.Path(directory)
    print(f"analyser: {analyser.version()}")
    tally = Tally()
    pdus = the_run(tally, directory, loopwitness)
    _, theirs, ours = wrapped_anew(tally, directory, loopwitness, answer_fields, pdus)
    planted(tally, theirs, ours)
    the_vectors(tally, directory, loopwitness, vectors)
    print(f"referee pass {tally.passed}")
    print(f"referee fail {tally.failed}")
    return 1 if tally.failed else 0


if __name__ == "__main__":
    sys.exit(main())

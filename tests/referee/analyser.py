"""The packet analyser (tshark) run over a capture, and its fields by message."""

import subprocess
import xml.etree.ElementTree as ElementTree

# Headings, and notes that stand for no bytes.
NOT_FIELDS = {"", "_ws.expert", "hart_ip.data.none", "hart_ip.data.unexpected"}


class Shown:
    """One field as the analyser shows it, at a place within its message."""

    def __init__(self, name, at, size, show, value):
        self.name, self.at, self.size, self.show, self.value = name, at, size, show, value


class Message:
    def __init__(self, packet, title, size, fields):
        self.packet, self.title, self.size, self.fields = packet, title, size, fields


def version():
    out = subprocess.run(["tshark", "--version"], capture_output=True, text=True, check=True)
    return out.stdout.splitlines()[0]


def dissect(path, ports=()):
    """Messages of a capture by packet number, in order. `ports` are pairs of transport and port."""
    as_hart_ip = [word for transport, p in sorted(ports) for word in ("-d", f"{transport}.port=={p},hart_ip")]
    command = ["tshark", "-r", str(path), *as_hart_ip, "-Y", "hart_ip", "-J", "hart_ip", "-T", "pdml"]
    run = subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL)
    found = {}
    for _, element in ElementTree.iterparse(run.stdout):
        if element.tag != "packet":
            continue
        number = int(element.find("./proto[@name='geninfo']/field[@name='num']").get("show"))
        for proto in element.findall("proto[@name='hart_ip']"):
            found.setdefault(number, []).append(_message(number, proto))
        element.clear()
    if run.wait() != 0:
        raise SystemExit(f"tshark ended with {run.returncode} over {path}")
    return found


def _message(number, proto):
    start = int(proto.get("pos"))
    fields = []
    for field in proto.iter("field"):
        name = field.get("name")
        if name in NOT_FIELDS or name.startswith("_ws."):
            continue
        value = field.get("unmaskedvalue") or field.get("value") or ""
        fields.append(Shown(name, int(field.get("pos")) - start, int(field.get("size")), field.get("show"), value))
    return Message(number, proto.get("showname"), int(proto.get("size")), fields)

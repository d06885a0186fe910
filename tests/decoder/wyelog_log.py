#!/usr/bin/env python3
"""Reads a wyelog log file and prints one JSON object per record, then one with counts.

    python3 wyelog_log.py LOG [--schema schema.txt]

Written from WIRE.md and driven by schema.txt, as a second opinion on the Rust decoder: Python 3.9, standard library
only. Quantities come out in units (null when absent), names of variants in snake_case, a variant with fields as
{"name": {...}}, a set as the list of its members, bytes as hex digits, a waveform as a list of samples of A, B, C, N.

The last line counts: frames_ok and frames_damaged; packets_unknown, whole but of a newer logger; records; and of
them records_unknown (kind or version not in the schema) and records_malformed. missing lists the sequence numbers
that are not in the file, as [first, first one behind]: holes between the first and the last number seen, and those
up to 'next' of the log's end, if it says so.

Exit code 0, or 2 when there is nothing to read.
"""

import argparse
import json
import pathlib
import re
import sys
import zlib


class Malformed(ValueError):
    """Bytes that are not what the schema says."""


def snake(name):
    """CamelCase to snake_case."""
    return re.sub(r"(?<!^)(?=[A-Z])", "_", name).lower()


def parse_type(text):
    """'array<Range<Voltage>,3>' as (name, [arguments])."""
    name, bracket, rest = text.partition("<")
    if not bracket:
        return (text, [])
    arguments, depth, start, inside = [], 0, 0, rest[:-1]
    for at, character in enumerate(inside):
        depth += (character == "<") - (character == ">")
        if character == "," and depth == 0:
            arguments.append(parse_type(inside[start:at]))
            start = at + 1
    arguments.append(parse_type(inside[start:]))
    return (name, arguments)


def substitute(of, parameter, argument):
    """The type `of` with `argument` in place of the name `parameter`."""
    name, arguments = of
    return argument if name == parameter else (name, [substitute(a, parameter, argument) for a in arguments])


class Schema:
    """schema.txt, and how a value of any type in it is read."""

    def __init__(self, text):
        self.constants, self.definitions, self.records, self.packets, self.packed = {}, {}, {}, {}, {}
        parts = []
        for line in text.splitlines():
            words = line.split("#")[0].split()
            if not words:
                continue
            if line.startswith(" "):
                parts.append(words)
                continue
            what, name, *rest = words
            parts = []
            if what == "constant":
                self.constants[name] = int(rest[0])
            elif what == "record":
                self.records[int(name), int(rest[0])] = (rest[1], parse_type(rest[2]))
            elif what == "packet":
                self.packets[name] = parse_type(rest[0])
            elif what == "packed":
                self.packed[name] = parts
            elif what == "stepped":
                self.definitions[name] = (what, float(rest[1]))
            elif what == "quantity":
                self.definitions[name] = (what, [float(rest[1]), int(rest[2]), int(rest[3])])
            elif what == "set":
                self.definitions[name] = (what, rest)
            elif what in ("struct", "enum"):
                base, arguments = parse_type(name)
                self.definitions[base] = (what, [[a[0] for a in arguments], parts])
            else:
                raise SystemExit(f"schema: not understood: {line}")

    def read(self, of, cursor):
        """One value of the type `of`."""
        name, arguments = of
        if name == "u8":
            return cursor.take(1)[0]
        if name == "bool":
            value = cursor.take(1)[0]
            if value > 1:
                raise Malformed("neither false nor true")
            return value == 1
        if name in ("u16", "u32", "u64"):
            return cursor.varint(int(name[1:]))
        if name == "time":
            return read_time(cursor.varint(64))
        if name in ("text", "bytes", "waveform"):
            raw = cursor.take(cursor.varint(32))
            if name == "waveform":
                return read_waveform(Cursor(raw))
            if name == "bytes":
                return raw.hex()
            if arguments and len(raw) > int(arguments[0][0]):
                raise Malformed("text too long")
            return raw.decode("utf-8")
        if name == "option":
            present = cursor.take(1)[0]
            if present > 1:
                raise Malformed("neither absent nor present")
            return self.read(arguments[0], cursor) if present else None
        if name == "array":
            return [self.read(arguments[0], cursor) for _ in range(int(arguments[1][0]))]
        if name == "vec":
            length = cursor.varint(32)
            if length > int(arguments[1][0]):
                raise Malformed("too many elements")
            return [self.read(arguments[0], cursor) for _ in range(length)]
        if name == "tuple":
            return [self.read(argument, cursor) for argument in arguments]
        what, body = self.definitions[name]
        if what == "quantity":
            return read_quantity(body, cursor)
        if what == "set":
            bits = cursor.take(1)[0]
            return [member for bit, member in enumerate(body) if bits >> bit & 1]
        parameters, parts = body
        if what == "enum":
            return self.read_variant(parts, cursor)
        fields = {}
        for field, text in parts:
            field_type = parse_type(text)
            for parameter, argument in zip(parameters, arguments):
                field_type = substitute(field_type, parameter, argument)
            fields[field] = self.read(field_type, cursor)
        return fields

    def read_record(self, of, cursor):
        """The payload of a record of the type `of`: as any value, or bits behind its stamp."""
        if of[0] not in self.packed:
            return self.read(of, cursor)
        _, fields = self.definitions[of[0]][1]
        stamp = {fields[0][0]: self.read(parse_type(fields[0][1]), cursor)}
        numbers = read_packed(self.packed[of[0]], Bits(cursor))
        return stamp | {field: self.build(parse_type(text), field, numbers) for field, text in fields[1:]}

    def build(self, of, path, numbers):
        """The value at `path` of a packed record, from its numbers."""
        name, arguments = of
        if name == "array":
            return [self.build(arguments[0], f"{path}.{n}", numbers) for n in range(int(arguments[1][0]))]
        if name == "u16":
            if numbers[path] is None or numbers[path] >= 1 << 16:
                raise Malformed("number absent or too large")
            return numbers[path]
        what, body = self.definitions[name]
        if what == "quantity":
            return in_units(body, numbers[path])
        if what == "stepped":
            return stepped(numbers[path], body)
        parameters, parts = body
        if what == "enum":
            for variant, text in parts:
                if numbers[path] == int(variant):
                    return snake(text)
            raise Malformed("a variant that is not known")
        fields = {}
        for field, text in parts:
            field_type = parse_type(text)
            for parameter, argument in zip(parameters, arguments):
                field_type = substitute(field_type, parameter, argument)
            fields[field] = self.build(field_type, f"{path}.{field}", numbers)
        return fields

    def read_variant(self, parts, cursor):
        number = cursor.varint(32)
        for variant, name, *payload in parts:
            if int(variant) != number:
                continue
            if not payload:
                return snake(name)
            if ":" not in payload[0]:
                return {snake(name): self.read(parse_type(payload[0]), cursor)}
            pairs = [field.split(":") for field in payload]
            return {snake(name): {field: self.read(parse_type(text), cursor) for field, text in pairs}}
        raise Malformed(f"variant {number} is not known")


def read_quantity(scale, cursor):
    """A quantity in units, None when absent."""
    code = cursor.varint(32)
    if code == 0:
        return None
    return in_units(scale, unzigzag(code - 1) if scale[1] < 0 else code - 1)


def in_units(scale, steps):
    """A number of steps in units; None stays None."""
    steps_per_unit, smallest, largest = scale
    if steps is None:
        return None
    if not smallest <= steps <= largest:
        raise Malformed("quantity out of range")
    return steps / steps_per_unit


def read_time(code):
    """ms since 1970, None when there was no clock."""
    ms = None if code == 0 else code // 2 * 60_000 if code & 1 else code // 2 - 1
    if ms is not None and (ms > 2**63 - 2 or code & 1 == 0 and ms % 60_000 == 0):
        raise Malformed("no time")
    return ms


def unzigzag(code):
    return code >> 1 if code & 1 == 0 else -(code >> 1) - 1


def stepped(index, steps_per_unit):
    """The value of an index in units, None for 255."""
    if index == 255:
        return None
    return (index if index < 64 else 32 + index % 32 << index // 32 - 1) / steps_per_unit


def read_packed(rows, bits):
    """The numbers of a packed record by their paths, None where absent."""
    numbers = {}
    some_absent = bits.take(1)
    for path, order, *expected in (row for row in rows if row[1] != "harmonics"):
        if some_absent and not bits.take(1):
            numbers[path] = None
            continue
        code = bits.code(int(order))
        if not expected:
            numbers[path] = code
        elif expected[0] in numbers:
            numbers[path] = (numbers[expected[0]] or 0) + unzigzag(code)
        else:
            numbers[path] = int(expected[0]) + unzigzag(code)
    if some_absent and None not in numbers.values():
        raise Malformed("nothing is absent")
    for path, _, *beside in (row for row in rows if row[1] == "harmonics"):
        order = bits.take(3)
        for place in range(24):
            code = bits.code(order)
            index = numbers[f"{beside[0]}.{place}"] + unzigzag(code) if beside else code
            if not 0 <= index <= 255:
                raise Malformed("no index")
            numbers[f"{path}.{place}"] = index
    bits.end()
    if "frequency.tens" in numbers:
        tens, rest = numbers["frequency.tens"], numbers["frequency.rest"]
        if (tens is None) != (rest is None) or rest is not None and not -50_000 <= rest < 50_000:
            raise Malformed("no frequency")
        numbers["frequency"] = None if tens is None else tens * 100_000 + rest
    return numbers


def read_waveform(cursor):
    """Samples of four channels."""
    samples, last = [], [[], [], [], []]
    while cursor.at < len(cursor.data):
        for values in last:
            code = cursor.varint(32)
            known = values[-3:]
            expected = (
                0 if not known
                else known[0] if len(known) == 1
                else 2 * known[1] - known[0] if len(known) == 2
                else 3 * known[2] - 3 * known[1] + known[0]
            )
            values.append(expected + unzigzag(code))
            if abs(values[-1]) > 32767:
                raise Malformed("a sample is out of range")
        samples.append([values[-1] for values in last])
    return samples


class Cursor:
    """Bytes, read from the front."""

    def __init__(self, data):
        self.data, self.at = data, 0

    def take(self, count):
        if self.at + count > len(self.data):
            raise Malformed("cut short")
        self.at += count
        return self.data[self.at - count : self.at]

    def varint(self, bits):
        value = 0
        for shift in range(0, bits, 7):
            byte = self.take(1)[0]
            value |= (byte & 0x7F) << shift
            if byte < 0x80:
                if value >> bits:
                    break
                return value
        raise Malformed("number too large")


class Bits:
    """Bits of the rest of a cursor, the highest of a byte first."""

    def __init__(self, cursor):
        self.data, self.at = cursor.data[cursor.at :], 0

    def take(self, count):
        value = 0
        for _ in range(count):
            if self.at >= 8 * len(self.data):
                raise Malformed("cut short")
            value = value << 1 | self.data[self.at // 8] >> 7 - self.at % 8 & 1
            self.at += 1
        return value

    def code(self, order):
        """An exponential-Golomb code."""
        more = order
        while not self.take(1):
            more += 1
            if more > 30:
                raise Malformed("number too large")
        return (1 << more | self.take(more)) - (1 << order)

    def end(self):
        if self.take(-self.at % 8):
            raise Malformed("a one behind the last bit")


def unframe(piece, limit):
    """The packet in the bytes between two zeros, None when they hold none."""
    if len(piece) > limit:
        return None
    packet, at = bytearray(), 0
    while at < len(piece):
        code = piece[at]
        block = piece[at + 1 : at + code]
        if len(block) != code - 1:
            return None
        packet += block
        at += code
        if code < 0xFF and at < len(piece):
            packet.append(0)
    if len(packet) < 4 or zlib.crc32(packet[:-4]) != int.from_bytes(packet[-4:], "little"):
        return None
    return bytes(packet[:-4])


class Log:
    """What has been read so far; `show` gets every record as a dict."""

    def __init__(self, schema, show):
        self.schema, self.show = schema, show
        names = ("frames_ok", "frames_damaged", "packets_unknown", "records", "records_unknown", "records_malformed")
        self.counts = dict.fromkeys(names, 0)
        self.seen, self.named, self.identity, self.extent = set(), [], None, None

    def read(self, data):
        largest = self.schema.constants["max_packet_bytes"] + 4
        limit = largest + largest // 254 + 3
        *pieces, rest = data.split(b"\0")
        self.counts["frames_damaged"] += bool(rest)
        for piece in pieces:
            packet = unframe(piece, limit) if piece else None
            if packet is not None:
                self.counts["frames_ok"] += 1
                self.packet(packet)
            elif piece:
                self.counts["frames_damaged"] += 1

    def packet(self, packet):
        try:
            reply = self.schema.read(self.schema.packets["from_logger"], Cursor(packet))["reply"]
        except ValueError:
            self.counts["packets_unknown"] += 1
            return
        if "identity" in reply:
            self.identity = reply["identity"]
        elif "log_end" in reply:
            self.extent = reply["log_end"]
        elif "missing" in reply:
            self.named += [reply["missing"]["from"], reply["missing"]["to"]]
        elif "records" in reply:
            self.records(reply["records"]["first"], Cursor(bytes.fromhex(reply["records"]["bytes"])))

    def records(self, sequence, cursor):
        while cursor.at < len(cursor.data):
            self.counts["records"] += 1
            self.seen.add(sequence)
            try:
                kind, version = cursor.take(2)
                payload = Cursor(cursor.take(cursor.varint(16)))
            except Malformed:
                self.counts["records_malformed"] += 1
                return
            if (kind, version) not in self.schema.records:
                self.counts["records_unknown"] += 1
            else:
                name, struct = self.schema.records[kind, version]
                try:
                    self.show({"type": name, "sequence": sequence, **self.schema.read_record(struct, payload)})
                except ValueError:
                    self.counts["records_malformed"] += 1
            sequence += 1

    def summary(self):
        ends = self.named + ([self.extent["next"]] if self.extent else [])
        numbers = sorted(self.seen)
        missing, expected = [], min(numbers[:1] + self.named, default=None)
        for number in numbers + ([max(ends)] if ends else []):
            if expected is not None and number > expected:
                missing.append([expected, number])
            expected = max(number + 1, expected or 0)
        return {"type": "summary", **self.counts, "missing": missing, "identity": self.identity, "extent": self.extent}


def main():
    parser = argparse.ArgumentParser(description="Prints the records of a wyelog log file as JSON, one a line.")
    parser.add_argument("log", type=pathlib.Path)
    beside = pathlib.Path(__file__).resolve().parents[2] / "protocol" / "schema.txt"
    parser.add_argument("--schema", type=pathlib.Path, default=beside, help="default: the one of this repository")
    arguments = parser.parse_args()
    try:
        schema, data = Schema(arguments.schema.read_text(encoding="utf-8")), arguments.log.read_bytes()
    except OSError as error:
        print(f"{error.filename}: {error.strerror}", file=sys.stderr)
        return 2
    log = Log(schema, lambda record: print(json.dumps(record)))
    log.read(data)
    print(json.dumps(log.summary()))
    return 0


if __name__ == "__main__":
    sys.exit(main())

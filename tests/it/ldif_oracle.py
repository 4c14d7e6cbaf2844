"""Reads and writes LDIF and distinguished names with python-ldap and ldap3, for tests/it/ldif_oracle.rs and ldif_names_oracle.rs.

usage: ldif_oracle.py read | changes | write | write-changes | ldap3 | ldap3-changes | names

Input and output are JSON, with values in base64; `read` and `changes` get LDIF, the others give it.
"""

import base64
import io
import json
import sys

import ldap
import ldap.dn
import ldif
from ldap3.protocol.rfc2849 import add_ldif_header, operation_to_ldif


def told(value):
    return base64.b64encode(value).decode()


def meant(text):
    return base64.b64decode(text, validate=True)


def read():
    records = ldif.LDIFRecordList(sys.stdin.buffer)
    records.parse_entry_records()
    return [
        {"dn": dn, "values": [[name, told(value)] for name, values in entry.items() for value in values]}
        for dn, entry in records.all_records
    ]


def changes():
    records = ldif.LDIFRecordList(sys.stdin.buffer)
    records.parse_change_records()
    words = ["add", "delete", "replace", "increment"]
    return [
        {"dn": dn, "modify": [[words[kind], name, [told(value) for value in values or []]] for kind, name, values in list_]}
        for dn, list_, _ in records.all_modify_changes
    ]


def grouped(values):
    entry = {}
    for name, value in values:
        entry.setdefault(name, []).append(meant(value))
    return entry


def write(asked):
    out = io.StringIO()
    writer = ldif.LDIFWriter(out, cols=asked["columns"], line_sep=asked["line_end"])
    for record in asked["records"]:
        writer.unparse(record["dn"], grouped(record["values"]))
    return out.getvalue()


def write_changes(asked):
    out = io.StringIO()
    kinds = {"add": ldap.MOD_ADD, "delete": ldap.MOD_DELETE, "replace": ldap.MOD_REPLACE, "increment": ldap.MOD_INCREMENT}
    writer = ldif.LDIFWriter(out, cols=asked["columns"], line_sep=asked["line_end"])
    for record in asked["records"]:
        list_ = [(kinds[kind], name, [meant(value) for value in values] or None) for kind, name, values in record["modify"]]
        writer.unparse(record["dn"], list_)
    return out.getvalue()


def ldap3_write(asked):
    entries = [
        {"type": "searchResEntry", "dn": record["dn"], "raw_attributes": grouped(record["values"])} for record in asked["records"]
    ]
    return lines(operation_to_ldif("searchResponse", entries))


def ldap3_changes(asked):
    numbers = {"add": 0, "delete": 1, "replace": 2, "increment": 3}
    out = []
    for record in asked["records"]:
        controls = [(oid, critical, meant(value)) for oid, critical, value in record["controls"]]
        entry = {"entry": record["dn"], "controls": controls}
        if "add" in record:
            kind, entry["attributes"] = "addRequest", grouped(record["add"])
        elif "modify" in record:
            kind = "modifyRequest"
            entry["changes"] = [
                {"operation": numbers[word], "attribute": {"type": name, "value": [meant(value) for value in values]}}
                for word, name, values in record["modify"]
            ]
        elif "rename" in record:
            kind = "modDNRequest"
            entry["newRdn"], entry["deleteOldRdn"], entry["newSuperior"] = record["rename"]
        else:
            kind = "delRequest"
        out += operation_to_ldif(kind, entry) + [""]
    return lines(out)


def lines(list_):
    return "\n".join(add_ldif_header(list_)) + "\n"


def names(texts):
    return [name(text) for text in texts]


def name(text):
    """The levels of a name, `null` for what is none, `"bytes"` for values that Python cannot hold."""
    try:
        levels = ldap.dn.str2dn(text)
    except ldap.DECODING_ERROR:
        return None
    except UnicodeDecodeError:
        return "bytes"
    # a bit of the flags says that the value was told in BER (ldap.h, LDAP_AVA_BINARY)
    return [[[kind, None if flags & 2 else value] for kind, value, flags in level] for level in levels]


def main():
    command = sys.argv[1]
    if command in ("read", "changes"):
        print(json.dumps({"read": read, "changes": changes}[command]()))
        return
    answers = {"write": write, "write-changes": write_changes, "ldap3": ldap3_write, "ldap3-changes": ldap3_changes, "names": names}
    answer = answers[command](json.load(sys.stdin))
    if command == "names":
        json.dump(answer, sys.stdout)
    else:
        sys.stdout.buffer.write(answer.encode())


if __name__ == "__main__":
    main()

"""Codes about people, in every form that somebody might scan at a bedside. All identifiers are invented.

GS1 recipient numbers, names, births: GS1 syntax dictionary (github.com/gs1/gs1-syntax-dictionary). HIBC provider forms:
ANSI/HIBC 1.3, examples of section 2.2, appendix B and section 2.6 as bwip-js' tests repeat them. ISBT 128: data
structures 024 and 025 of its technical specification. HL7 version 2: a PID segment. The check digit of the recipient
number is computed by the GS1 rule.
"""

RECIPIENT = "123456789012345675"
NAME = "NOBODYINPARTICULAR"

PERSON_CODES = {
    "recipient": f"8018{RECIPIENT}",
    "recipient with symbology": f"]d28018{RECIPIENT}\x1d7253{NAME}",
    "recipient in brackets": f"(8018){RECIPIENT}(7253){NAME}",
    "recipient, wrong length": "8018123456789012",
    "born and named without a recipient": f"725019000101\x1d7253{NAME}\x1d7254PAT",
    "baby": f"]C1{'8018' + RECIPIENT}\x1d72581/2\x1d7259{NAME}",
    "giver of care": "(8017)123456789012345675(8019)12",
    "behind an item": f"0112345678901231172701018018{RECIPIENT}",
    "behind a lot": f"011234567890123110LOT7\x1d7253{NAME}",
    "behind an item, malformed": "01123456789012317250199913994471203",
    "telephone before a damaged part": "]C18002447700900123\x1d17991399",
    "glued to nothing known": f"0112345678901231ZZ8018{RECIPIENT}",
    "glued to a lot": f"011234567890123110LOT78018{RECIPIENT}",
    "glued to a serial number": f"011234567890123121S8018{RECIPIENT}",
    "separators spelt out": f"011234567890123110LOT7<GS>7256{NAME}",
    "Digital Link": f"https://id.example.org/8018/{RECIPIENT}?7253={NAME}",
    "Digital Link of an item": f"https://id.example.org/01/12345678901231?7253={NAME}",
    "Digital Link, encoded": f"https://id.example.org/%38018/{RECIPIENT}",
    "addressee": f"(00)123456789012345675(4301){NAME}",
    "HIBC provider, section 2.2": "+/EO5232013",
    "HIBC provider, appendix B": "*+/EAH783B*",
    "HIBC provider, section 2.6": "+/KN12345A",
    "ISBT 128 birth date": "=#019000101",
    "ISBT 128 patient number": "&#1234567890123",
    "HL7": f"PID|1||4471203^^^HOSP||{NAME}^PAT||19000101|F",
    "HL7 message": f"MSH|^~\\&|A|B\rPID|1||4471203||{NAME}",
    "visiting card": f"BEGIN:VCARD\nN:{NAME};PAT",
    "travel document": f"P<UTO{NAME}<<PAT<<<<<<<<<<<<<<<<<<",
    "health card": "shc:/5676290952432060346029243740446031222959532654603460292540",
}
# What of them must be found nowhere afterwards.
TRACES = (
    "447700900123",
    RECIPIENT,
    NAME,
    "EO523201",
    "EAH783",
    "KN12345",
    "19000101",
    "4471203",
    "1234567890123",
    "8018123456789012",
    "5676290952",
)

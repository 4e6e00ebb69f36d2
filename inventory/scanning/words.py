"""What a person is told about a scan. No sentence repeats any part of what was scanned.

Plain English here, because this package knows no Django; whoever shows a sentence translates it.
"""


def gettext_noop(text: str) -> str:
    """Mark a sentence for translation, under the name that makemessages looks for."""
    return text


PERSON = gettext_noop(
    "This code is about a person, not a pack. It was refused whole: nothing of it was kept. Scan the code on the pack."
)
TISSUE = gettext_noop(
    "This is a code of blood, tissue or cells. They are not stock of this department, and nothing of it was kept."
)

EMPTY = gettext_noop("Nothing arrived from the scanner. Scan the pack again.")
TOO_LONG = gettext_noop("This is longer than any code on a pack. Scan one code at a time.")
NOT_A_CODE = gettext_noop(
    "This is no code that stands on packs. Scan the code with the item number, or type its digits."
)
CAPS_LOCK = gettext_noop(
    "Caps Lock seems to be on, so letters arrive the wrong way round. Switch it off and scan again."
)
CHECK_DIGIT = gettext_noop(
    "The item number's check digit does not fit: a digit is wrong, missing or swapped. Scan the pack again."
)
UNIT_CHECK_DIGIT = gettext_noop("The delivery number's check digit does not fit. Scan the pack inside instead.")
DAMAGED = gettext_noop(
    "A part of this code does not have the form that its number promises. Scan again; if it stays so, type the item "
    "number and read lot and expiry from the pack."
)
GLUED = gettext_noop(
    "Two parts of this code run into each other: the scanner left out a separator. Scan again, or type what is "
    "printed, with its brackets. To mend it for good, set the scanner to send FNC1 as GS (character 29)."
)
BAD_DATE = gettext_noop("A date in this code is none in the calendar. Read lot and expiry from the pack.")
SAID_TWICE = gettext_noop("This code says the same thing twice, in two ways. Scan the code of one pack only.")
COUNT_WITHOUT_CONTENT = gettext_noop(
    "This code counts packs (37) without naming what is inside (02), which GS1 does not allow. Scan a pack inside."
)
NO_STOCK = gettext_noop("This code holds neither an item number nor a lot or expiry. Scan the other code on the pack.")
DELIVERY_UNIT = gettext_noop("This is the number of a delivery unit, not of an item. Scan a pack inside.")
OTHER_LINK = gettext_noop(
    "This is a web address, but no GS1 Digital Link of a product. Scan the code with the item number."
)
LINK_ORDER = gettext_noop(
    "This GS1 Digital Link is not in the order that the standard sets. Read item, lot and expiry from the pack."
)
HIBC_FORM = gettext_noop(
    "This begins like an HIBC code but is none that stands on packs. Scan again, or scan the other code."
)
OTHER_LABEL = gettext_noop("This label is from here, but damaged or of another version. Print it again.")
NO_ITEM = gettext_noop(
    "This code gives lot or expiry, but not the item. Scan the code with the item number first, then this one."
)
NOT_ONE_PACK = gettext_noop("These two codes do not belong to one pack: scan both from the same one.")

# Warnings: the scan is read, and a person should know.
DAY_UNKNOWN = gettext_noop(
    "The code gives the month of expiry without a day, so the last day of the month is taken. Since 2025 healthcare "
    "packs must give the day: read the pack."
)
LOT_IN_DOUBT = gettext_noop(
    "The scanner may have left out a separator, so that lot and serial number run into each other. Choose the lot that "
    "is printed on the pack."
)
HIBC_CHECK = gettext_noop(
    "The check character does not fit: the code is damaged, mistyped or printed wrongly. Compare item, lot and expiry "
    "with the pack."
)
CONTENT_WITHOUT_UNIT = gettext_noop(
    "The code counts packs inside but gives no delivery number (00). Count what is there."
)

"""`python -m tests.docs`: write the tables of DEVELOPERS.md anew from the code."""

from tests.docs.tables import GUIDE, filled

if __name__ == "__main__":
    GUIDE.write_text(filled(GUIDE.read_text(encoding="utf-8")), encoding="utf-8")

"""How hard the patient's page is to read, reckoned again by textstat, which counts syllables by dictionaries of its own.

English: the grade of Flesch and Kincaid at most 8, on every page and over all sentences that can stand on one. Spanish, by
formulas made for Spanish: Fernández Huerta at least 70 ("bastante fácil"), Szigriszt-Pazos at least 65 ("bastante fácil" on the
INFLESZ scale), and Crawford's years of schooling at most 8. The names of the steps are as commonly given, from memory.

What a page states of itself may differ, since the two cut sentences and syllables otherwise (each digit of a date counts as a
syllable there): it must never be the easier one by more than half a grade or 3 points, nor off by more than 2.5 grades or 15 points.

Run by tests/run, or by hand: target/venv/bin/python tests/outside/report_reading.py
"""

import sys
import tomllib

import textstat

from _probe import ROOT, report
from _reports import INVENTED, folders, models

MOST_GRADE, LEAST_HUERTA, LEAST_PAZOS, MOST_YEARS = 8.0, 70.0, 65.0, 8.0
# Words of the file that no patient reads: codes, patterns and names of months.
NOT_READ = {"language", "name", "right-to-left", "months", "date", "source", "grade", "phone-blank"}


def ended(sentences):
    """As a text, each with its full stop; a line without one is a sentence of its own."""
    return " ".join(s if s[-1] in ".?!" else s + "." for s in sentences)


def everything(code):
    """Every sentence of a language, with what is filled in."""
    words = tomllib.loads((ROOT / "src" / "report" / "languages" / f"{code}.toml").read_text())
    fill = {"date": "14 March 2031" if code == "en" else "14 de marzo de 2031", "weeks": "20", "phone": "555 0100"}
    fill |= {"from": fill["date"], "to": fill["date"]}
    texts = []
    for key, text in words.items():
        if key not in NOT_READ:
            for name, value in fill.items():
                text = text.replace("{" + name + "}", value)
            # The points of the list end the sentence that its heading begins.
            texts.append(f"{words['come']} {text}" if key.startswith("come-") else text)
    return ended(t for t in texts if t != words["come"])


def english(pages):
    textstat.set_lang("en_US")
    for name, text, stated in pages:
        grade = textstat.flesch_kincaid_grade(text)
        print(f"  en, {name}: grade {grade:.1f} by textstat" + (f", {stated:.1f} as stated" if stated is not None else ""))
        yield grade <= MOST_GRADE, f"{name}: grade {grade}"
        if stated is not None:
            yield -0.5 <= stated - grade <= 2.5, f"{name}: grade {grade} by textstat, {stated} as stated"


def spanish(pages):
    textstat.set_lang("es")
    for name, text, stated in pages:
        huerta, pazos, years = textstat.fernandez_huerta(text), textstat.szigriszt_pazos(text), textstat.crawford(text)
        print(f"  es, {name}: Fernández Huerta {huerta:.0f}, Szigriszt-Pazos {pazos:.0f}, Crawford {years:.1f} years")
        yield huerta >= LEAST_HUERTA, f"{name}: Fernández Huerta {huerta}"
        yield pazos >= LEAST_PAZOS, f"{name}: Szigriszt-Pazos {pazos}"
        yield years <= MOST_YEARS, f"{name}: {years} years of schooling"
        if stated is not None:
            yield -3 <= huerta - stated <= 15, f"{name}: Fernández Huerta {huerta} by textstat, {stated} as stated"


def seen(made, code):
    yield "every sentence", everything(code), None
    for records in ("sample", *INVENTED):
        for model in models(made, records):
            page = model["patient"][code]
            yield f"{records} {model['day']}", ended(page["sentences"]), page["grade"]


def hard():
    """The measure sees hard words."""
    textstat.set_lang("en_US")
    text = "Transvaginal ultrasonographic examination demonstrates persistent placental implantation overlying the internal cervical os."
    yield textstat.flesch_kincaid_grade(text) > MOST_GRADE, "a hard sentence counts as easy"


def main():
    with folders() as made:
        return report([("English", english(seen(made, "en"))), ("Spanish", spanish(seen(made, "es"))), ("a hard sentence", hard())])


if __name__ == "__main__":
    sys.exit(main())

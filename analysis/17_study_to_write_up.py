"""A study, from its folder to a chapter: what the protocol writes, what the results write, what is open.

Purpose   show what comes from the protocol before the data (for a register, analysis plan), what from the
          results (one document with methods, results, checklists), and what the checklists leave open;
          then hold one's own sentences to the rules of wording.
Protocol  analysis/depression_trial/protocol.toml (a published trial; source of the data: there)
Input     a copy of that folder, made in analysis/output/
Output    printed; analysis/output/depression_trial/results/ with the documents, their tables and figures

    python analysis/17_study_to_write_up.py
"""

from __future__ import annotations

import shutil
from pathlib import Path

import studykit as sk

HERE = Path(__file__).parent
OUTPUT = HERE / "output" / "depression_trial"
SENTENCES = """
Computerised therapy had no effect after eight months (p = .11). There was a trend towards lower scores.
At two months the score was 3.0 points lower with computerised therapy, 95 % CI from 6.6 lower to 0.6 higher.
"""


def main() -> None:
    shutil.rmtree(OUTPUT, ignore_errors=True)  # of an earlier run
    study = sk.Study.open(shutil.copytree(HERE / "depression_trial", OUTPUT))

    # %% Before the data: what a register asks for, and the analysis plan by item
    print(f"Before the data: {study.write_before_data()}")

    # %% The results: every sentence and number is the report's, in the order of a thesis
    results = study.analyse()
    print("Drawing and writing, some 5 s …", flush=True)
    document = study.write_up(results)
    print(f"Document: {document}")
    for path in sorted((document.parent / "tables").glob("table_[1-4]_*.csv")):
        print(f"  a table as CSV, HTML and TeX: {path.stem}")

    # %% Single numbers for the text: at full precision, each with its interval
    columns = [
        "contrast",
        "role",
        "value",
        "standard_error",
        "degrees_of_freedom",
        "lower",
        "upper",
        "p_value",
    ]
    print(sk.to_frame(results)[columns].head(3).round(4).to_string(index=False))

    # %% Your own sentences: the place, the rule, a better sentence
    for place in sk.check_wording(SENTENCES, randomised=results.randomised):
        print(f"\n{place.text()}")


if __name__ == "__main__":
    main()

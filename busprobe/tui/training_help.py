"""Help for the screens of the training."""

from __future__ import annotations

from busprobe.tui.help_text import HelpText

TRAINING_HELP: dict[str, HelpText] = {
    "training": HelpText(
        "Training: choose an exercise",
        (
            "Each exercise is a customer's complaint and a simulated bus with something wrong on "
            "it, or nothing. The bar is the level: one cell for a plain fault, five for several "
            "that hide each other. The same complaint has different causes: the number behind @, "
            "the seed, says which you got, and only the bus tells it.",
            "Enter begins the marked one. A trainer may tell you one as NAME@SEED, or give you a "
            "file: type it into the field. Those at the end of the list are drawn by lot.",
        ),
    ),
    "exercise": HelpText(
        "The exercise",
        (
            "The complaint and the papers are all you know. The papers say who should be there; "
            "they need not be right. Close this sheet and work as on site, with the steps at the "
            "left; e brings it back, c states the causes.",
            "Bus time counts while a step runs, not while you think. Needless disturbance costs "
            "points: asking before you listened, asking while the energy manager polls, writing.",
            "A hint costs what it says: h shows the price, y takes it. The hands can unplug the "
            "energy manager (tell the customer!) and carry the test heater to another socket, for "
            "a meter that does not see the usual one. z lets the time run faster.",
        ),
    ),
    "causes": HelpText(
        "State the causes",
        (
            "Mark what is wrong, then where: the device of the papers, or an address that was "
            "found. For the wiring of a meter tick the inputs with 1, 2, 3. a adds it to your "
            "answer. State every cause, and nothing that is only a consequence of another.",
            "Where the bus cannot tell two causes apart, state both and join them with o: either "
            "of them. Whoever leaves open what the evidence decides gets half. What is not so "
            "costs: a right thing repaired is a fault made.",
            "n says that nothing is wrong. h hands the answer in; the first one counts.",
        ),
    ),
    "marks": HelpText(
        "The marks",
        (
            "Every true cause with what you made of it, then what you stated that is not so. Below "
            "is what everything cost. 90 points are excellent, 75 good, 60 passed.",
            "The program examines the same bus once more with nothing but its own diagnosis. Enter "
            "on a line shows which step proves the cause, what it says, and the frames it rests "
            "on; what stood on your own screen is one key away.",
        ),
    ),
    "evidence": HelpText(
        "What the bus says",
        (
            "The finding that proves (or refutes) what you stated, the step that shows it, and its "
            "evidence. Mark a piece that names an exchange to see the frames below.",
            "o opens the same finding of your own job, if it stood on your screen: from there e "
            "leads to your own frames.",
        ),
    ),
    "results": HelpText(
        "Results",
        (
            "Every answer with its marks, causes found of all, bus time and exercise. The first "
            "answer to an exercise and seed counts; later ones are practice.",
            "Type your name and a file that ends with .csv or .json; w writes all answers. A "
            "trainer puts the files of a class together.",
        ),
    ),
}

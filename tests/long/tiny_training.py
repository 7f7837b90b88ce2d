"""A tiny training run on the CPU, from drawn cells to a model that loads and scores: the command's parts fit together.

    python tests/long/tiny_training.py [--panels 4] [--steps 101]

It shows that the loss falls and that the same seed gives the same network and another one another; it says nothing
about how good the shipped model is. Needs elinspect[train].
"""

import argparse
import json
import tempfile
from pathlib import Path

import numpy as np

from elinspect.classifier import load_model
from elinspect.operations.model_making import MakingSettings, make_model
from elinspect.operations.network_training import TrainingSettings, train
from elinspect.operations.training_set import draw_view, panel_cells


def losses(seed: int, panels: int, steps: int) -> list[float]:
    """Train on a few panels and return the losses told on the way."""
    drawn = [panel_cells(draw_view(np.random.default_rng((seed, number)), 8)) for number in range(panels)]
    told: list[float] = []
    train(
        drawn,
        TrainingSettings(steps=steps, batch=16, teachers=0, seed=seed),
        lambda _done, _of, loss: told.append(loss),
        ["cpu"],
    )
    return told


def main() -> None:
    """Run it all in a folder that is thrown away."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--panels", type=int, default=4)
    parser.add_argument("--steps", type=int, default=101)
    given = parser.parse_args()
    told = losses(5, given.panels, given.steps)
    print("loss", " ".join(f"{loss:.2f}" for loss in told))
    if not told[-1] < 0.8 * told[0]:
        raise SystemExit("the loss does not fall")
    with tempfile.TemporaryDirectory() as place:
        drawn = Path(place) / "drawn"
        cards = []
        for name, seed in (("first", 7), ("again", 7), ("other", 8)):
            settings = MakingSettings(given.panels, 8, 8, 12, seed, 2, "0", drawn, teachers=1, batch=16)
            card = make_model(Path(place) / name, settings, lambda *_: None)
            cards.append(json.loads(card.read_text()))
            print(name, load_model(card).card.label, cards[-1]["made"]["simulated_check"])
        if cards[0]["sha256"] != cards[1]["sha256"]:
            raise SystemExit("the same seed gave another network")
        if cards[0]["sha256"] == cards[2]["sha256"]:
            raise SystemExit("another seed gave the same network")
    print("done")


if __name__ == "__main__":
    main()

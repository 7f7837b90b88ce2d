"""Model files: the network (ONNX) and its card (JSON) beside it. A wrong pair is refused in words, never half used.

The card names the network file and its sha256, the input contract, the heads, and how it was made. Only this room
imports onnxruntime, and only when a model is loaded.
"""

import hashlib
import json
from dataclasses import dataclass
from importlib import resources
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, Literal

import numpy as np
from pydantic import ConfigDict, Field, TypeAdapter, ValidationError
from pydantic.dataclasses import dataclass as validated

from elinspect.classifier.contract import CHANNELS, CONTRACT, KINDS, MAP_STEP_PX, STEP_PX
from elinspect.classifier.heads import LinearHead
from elinspect.errors import ModelFileError, told_as
from elinspect.records import Kind

if TYPE_CHECKING:
    from onnxruntime import InferenceSession

CARD_SCHEMA = "elinspect.model-card/2"
SHIPPED = "cell-network-2.json"
"""Card of the model that ships."""
_MOST_BYTES = 50_000_000
_STRICT = ConfigDict(extra="forbid", allow_inf_nan=False)
_Probability = Annotated[float, Field(ge=0, le=1)]


@validated(frozen=True, slots=True, config=_STRICT)
class HeadTable:
    """A linear head as the card writes it."""

    weights: dict[str, float]
    bias: float

    def head(self) -> LinearHead:
        """Return it as a value."""
        return LinearHead(tuple(self.weights), tuple(self.weights.values()), self.bias)


@validated(frozen=True, slots=True, config=_STRICT)
class ModelCard:
    """What a model is.

    Attributes
    ----------
    name, version : str
        As the log keeps them.
    network : str
        File name of the network, beside the card.
    sha256 : str
        Of the network file.
    contract : str
        Input and output contract the network was made for.
    kinds : tuple of Kind
        Kinds of its outputs, in order.
    cell_head : HeadTable
        From network and detectors to the probability that the cell has a defect that would be confirmed.
    finding_heads : dict
        Per kind, to the probability that a finding is true.
    doubtful_below : dict
        Per kind: findings less probable than this are shown but reach no limit. A kind not named has no doubtful ones.
    made : dict
        How it was made and what it reached, for people; nothing reads it.
    """

    schema: Literal["elinspect.model-card/2"]
    name: Annotated[str, Field(min_length=1, max_length=80)]
    version: Annotated[str, Field(min_length=1, max_length=40)]
    network: Annotated[str, Field(pattern=r"^[A-Za-z0-9][A-Za-z0-9._-]*\.onnx$")]
    sha256: Annotated[str, Field(pattern=r"^[0-9a-f]{64}$")]
    contract: str
    kinds: tuple[Kind, ...]
    cell_head: HeadTable
    finding_heads: dict[Kind, HeadTable]
    doubtful_below: dict[Kind, _Probability]
    made: dict[str, Any]

    @property
    def label(self) -> str:
        """Name, version and a hash over everything that scores, as the log keeps them."""
        scoring = TypeAdapter(ModelCard).dump_python(self, mode="json")
        del scoring["made"]
        digest = hashlib.sha256(json.dumps(scoring, sort_keys=True).encode()).hexdigest()
        return f"{self.name} {self.version} {digest[:12]}"


@dataclass(frozen=True, slots=True, eq=False)
class Model:
    """A model that was checked and loaded."""

    card: ModelCard
    path: Path
    session: "InferenceSession"


def shipped_model() -> Path:
    """Return where the card of the shipped model lies: in the package, or in the checkout beside it."""
    packaged = Path(str(resources.files("elinspect"))) / "models" / SHIPPED
    return packaged if packaged.exists() else Path(__file__).parents[2] / "models" / SHIPPED


def read_card(path: Path) -> ModelCard:
    """Read a model card.

    Raises
    ------
    ModelFileError
        If the file is missing or wrong; the text names file and key.
    """
    with told_as("model.unreadable", ModelFileError, file=str(path)):
        data = path.read_bytes()
    try:
        table = json.loads(data)
    except ValueError as error:
        raise ModelFileError("model.not_a_card", file=str(path), where="1", cause=str(error)) from error
    try:
        return TypeAdapter(ModelCard).validate_python(table)
    except ValidationError as error:
        first = error.errors()[0]
        where = ".".join(str(part) for part in first["loc"]) or "the top level"
        raise ModelFileError("model.not_a_card", file=str(path), where=where, cause=first["msg"]) from error


def load_model(path: Path, threads: int = 2) -> Model:
    """Load a model by its card.

    Parameters
    ----------
    path : Path
        The card; the network lies beside it.
    threads : int
        Threads of one run.

    Raises
    ------
    ModelFileError
        If card or network are missing, damaged, do not belong together, or were made for another contract, or if
        onnxruntime is not installed.
    """
    card = read_card(path)
    network = path.with_name(card.network)
    return Model(card, path, _session(checked_network(path, card), network, threads))


def checked_network(path: Path, card: ModelCard) -> bytes:
    """Return the network that a card names, as bytes; whether it runs is seen when it is loaded.

    Raises
    ------
    ModelFileError
        If it is missing, too large, damaged, or was made for another contract.
    """
    if card.contract != CONTRACT or card.kinds != KINDS:
        raise ModelFileError("model.contract", file=str(path), given=card.contract, expected=CONTRACT)
    network = path.with_name(card.network)
    with told_as("model.unreadable", ModelFileError, file=str(network)):
        if network.stat().st_size > _MOST_BYTES:
            raise ModelFileError("model.too_large", file=str(network), megabytes=_MOST_BYTES // 1_000_000)
        content = network.read_bytes()
    if hashlib.sha256(content).hexdigest() != card.sha256:
        raise ModelFileError("model.hash", file=str(network))
    return content


def _session(content: bytes, network: Path, threads: int) -> "InferenceSession":
    try:
        import onnxruntime
    except ImportError as error:
        raise ModelFileError("model.no_runtime") from error
    options = onnxruntime.SessionOptions()
    options.intra_op_num_threads = threads
    options.log_severity_level = 3
    try:
        session = onnxruntime.InferenceSession(content, options, providers=["CPUExecutionProvider"])
        _try_out(session)
    except Exception as error:  # onnxruntime raises a dozen unrelated types for a file it cannot run
        raise ModelFileError("model.network", file=str(network), cause=str(error).splitlines()[0]) from error
    return session


def _try_out(session: "InferenceSession") -> None:
    """Run one small cell: shapes tell whether the network keeps the contract."""
    side = 2 * STEP_PX
    logits, features, maps = session.run(
        ["logits", "features", "maps"], {"cells": np.zeros((1, CHANNELS, side, side), np.float32)}
    )
    places = side // MAP_STEP_PX
    shapes = (logits.shape, features.ndim, maps.shape)
    if shapes != ((1, 1 + len(KINDS)), 2, (1, len(KINDS), places, places)):
        raise ValueError(f"unexpected outputs {shapes}")

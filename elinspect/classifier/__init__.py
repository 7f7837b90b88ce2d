"""The classifier: scores findings and cells. Optional; without it everything else works and says so."""

from elinspect.classifier.model_file import Model, ModelCard, load_model, read_card, shipped_model
from elinspect.classifier.scoring import Scored, score

__all__ = ["Model", "ModelCard", "Scored", "load_model", "read_card", "score", "shipped_model"]

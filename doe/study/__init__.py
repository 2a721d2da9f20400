"""What is studied: factors, responses, model terms, the region, and the Study itself.

Ground floor: imports nothing from the other rooms.
"""

from doe.study.errors import StudyError
from doe.study.factors import Categorical, Component, Continuous, Covariate, Discrete
from doe.study.models import Model
from doe.study.region import Region
from doe.study.responses import Response
from doe.study.shown import Section, Shown
from doe.study.trial import Study

__all__ = [
    "Categorical",
    "Component",
    "Continuous",
    "Covariate",
    "Discrete",
    "Model",
    "Region",
    "Response",
    "Section",
    "Shown",
    "Study",
    "StudyError",
]

"""Design of experiments for the bench chemist: from a described trial to a robust operating window and a report."""

from doe.study import Categorical, Component, Continuous, Discrete, Response, Study, StudyError

__version__ = "0.1.0"

__all__ = ["Categorical", "Component", "Continuous", "Discrete", "Response", "Study", "StudyError"]

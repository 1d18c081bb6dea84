"""A seeded simulator of survey jobs, for Monte-Carlo tests and planted mistakes.

`random_site` invents a true site, `simulate` draws the raw rows a crew would bring home
from it, `tests.simulate.mistakes` spoils them and records how, `write_job` writes a job
folder. A `Survey` carries rows, control, truth and what was planted; its ``fieldbook`` and
``control`` are what a reader should make of the files.

>>> import numpy as np
>>> from tieup.model.settings import Precision
>>> rng = np.random.default_rng(7)
>>> survey = simulate(random_site(rng, setups=3), Precision(), rng)
>>> [setup.label for setup in survey.fieldbook.setups]
['S1', 'S2', 'S3']
"""

from tests.simulate.draw import ARCSEC, polar, simulate
from tests.simulate.job import write_job
from tests.simulate.scenery import random_site
from tests.simulate.site import Aim, InstrumentFault, Mark, SetupPlan, Site, in_faces
from tests.simulate.survey import Damage, Planted, Survey, Truth

__all__ = [
    "ARCSEC",
    "Aim",
    "Damage",
    "InstrumentFault",
    "Mark",
    "Planted",
    "SetupPlan",
    "Site",
    "Survey",
    "Truth",
    "in_faces",
    "polar",
    "random_site",
    "simulate",
    "write_job",
]

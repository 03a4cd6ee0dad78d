"""All pictures of one listening, in the order a page shows them."""

from __future__ import annotations

from graith.listen.heard import Heard
from graith.listen.model import Singles
from graith.listen.pictures.drawing import PAGE_WIDTH, PHONE_WIDTH, Picture
from graith.listen.pictures.tempo_curve import tempo_picture
from graith.listen.pictures.togetherness_strip import togetherness_picture
from graith.listen.pictures.tuning_chart import tuning_picture
from graith.listen.pictures.waveform import waveform_picture
from graith.timeline.model import Timeline


def pictures_of(heard: Heard, timeline: Timeline, samples: Singles, *, width: int = PAGE_WIDTH) -> tuple[Picture, ...]:
    """Return the pictures that there is something to show in: waveform, tempo, tuning, togetherness.

    Parameters
    ----------
    heard : Heard
    timeline : Timeline
        Of the set that was listened for.
    samples : float32 array, shape (samples,)
        The sound listened to.
    width : int
        In units that are pixels on a screen: :data:`PHONE_WIDTH` or :data:`PAGE_WIDTH`; the tuning chart is never wider
        than needed.
    """
    drawn = (
        waveform_picture(heard, timeline, samples, width=width),
        tempo_picture(heard, timeline, width=width),
        tuning_picture(heard, width=min(width, PHONE_WIDTH + 60)),
        togetherness_picture(heard, timeline, width=width),
    )
    return tuple(picture for picture in drawn if picture is not None)

"""Sentences about graphics loads. By ``criterion/slug``."""

from __future__ import annotations

from typing import Final

SENTENCES: Final[dict[str, str]] = {
    "graphics_work/software": "{subject}, stage {in_stage}, ran on {card}: a software renderer, not a graphics card. It says nothing about a card.",
    "graphics_work/ran_on": "{subject}, stage {in_stage}, ran on {card}.",
    "graphics_work/covered": "{subject} covered {observed:.1f} {unit} of the memory of {card}.",
    "graphics_work/covered_less": "{subject} covered {observed:.1f} {unit} of the memory of {card}; {limit:.0f} {unit} are asked for. Close programs that use the card and run again.",
    "graphics_work/share_unknown": "{subject} covered {bytes} bytes of the memory of {card}; how much it has in all is not known ({share_of_graphics_memory}).",
    "graphics_work/link_down": "The link of {card} carried {down_gb_s:.1f} GB/s from the card, {observed:.0f} {unit} of what it can ({link_under_load}).",
    "graphics_work/link_up": "The link of {card} carried {up_gb_s:.1f} GB/s to the card, {observed:.0f} {unit} of what it can ({link_under_load}).",
    "graphics_work/link_slow_down": "The link of {card} carried only {down_gb_s:.1f} GB/s from the card, {observed:.0f} {unit} of what it can ({link_under_load}); {limit:.0f} {unit} are usual. Seat the card again, look at the riser.",
    "graphics_work/link_slow_up": "The link of {card} carried only {up_gb_s:.1f} GB/s to the card, {observed:.0f} {unit} of what it can ({link_under_load}); {limit:.0f} {unit} are usual. Seat the card again, look at the riser.",
    "graphics_work/link_unknown_down": "The link of {card} carried {down_gb_s:.1f} GB/s from the card; its generation and lanes could not be read.",
    "graphics_work/link_unknown_up": "The link of {card} carried {up_gb_s:.1f} GB/s to the card; its generation and lanes could not be read.",
    "graphics_work/on_time": "{card} drew {observed:.2f} {unit} of the frames of a generated scene, 2 x {eye_width} x {eye_height}, off screen, within {refresh_hz:.4g} Hz, stage {in_stage}.",
    "graphics_work/late": "{card} drew only {observed:.2f} {unit} of the frames of a generated scene, 2 x {eye_width} x {eye_height}, off screen, within {refresh_hz:.4g} Hz, stage {in_stage}; {limit:.1f} {unit} are asked for. Look at heat, power limit and clock.",
    "graphics_work/no_frames": "{subject}, stage {in_stage}: no frame is on record.",
}

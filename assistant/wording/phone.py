"""What is said and printed of a phone that is the microphone."""

from __future__ import annotations

PHONES = {"technician": "phone", "helper": "helper's phone"}

OPEN = "Scan this with the {phone}, or open it there: {address}"
FINGERPRINT = "It warns of a certificate that it does not know. Go on only if the SHA-256 is: {fingerprint}"
TAP = "Then tap once, and allow the microphone. From there on it is hands-free."
LOOK = "For others to look on, without sound: {address}"
WAITS = "Waiting for the phone."
THERE = "The {phone} is there."
LOST = "The {phone} is lost ({why}). The visit holds until it is back."
HELPER_LOST = "The {phone} is lost ({why}). The visit goes on without it until it is back."
SAID_WHEN_LOST = "The connection is lost. The visit holds. Nothing said now is heard."
"""Said by the phone itself."""

NO_VIEW = "This screen cannot show the visit. Go by the voice."

# Why a phone is gone.
NETWORK = "the network"
NO_SOUND = "no sound came for {seconds:g} s"
NOT_THERE = "it is not there"

# Told to a phone that is not let in, or not any more: at most 123 bytes.
WRONG_CODE = "This code is wrong, or another phone has used it. Scan the code of a visit that begins, or goes on."
SECOND_PAGE = "The visit was opened in another page of this phone. Close this one."
BLOCK_SIZE = "The sound came in a block that no phone sends. Load the page again."
BLOCK_ORDER = "The sound came in a wrong order ({why})."
WRONG_RATE = "The sound does not come at its rate of {rate} samples a second. Load the page again."
NO_RATE = "The sound must have {low} to {high} samples a second. Take another browser."
NO_MESSAGE = "That message is none of this page. Load the page again."
OVER = "The visit is over."

FOREIGN = "This socket answers only its own page."
OTHER_NAME = "This page is not served by that name. Open the address that stands beside the QR code."
PLAIN = "This page is served by HTTPS alone: the address begins with https."

# Of self-check --phone.
LINE_GOOD = "Good enough: nothing is missing, and an answer is hardly later than at a sound card."
LINE_SLOW = "Not good enough: answers come late. Go nearer to the network, or use the phone's own hotspot."
LINE_GAPS = "Not good enough: sound was missing, and a reading with a gap is not heard. Go nearer to the network."

# Of the command.
NO_ADDRESS = "This machine is on no network. Join the phone's hotspot, or name its address with --phone-address."
NOT_SERVED = "The phone's page cannot be served at {address}, port {port} ({why}). Choose another --phone-port."
CERTIFICATE = "The certificate {path} cannot be used ({why}). Give a PEM file with its key and its chain."
EITHER = "With --phone the phone is the microphone: leave out {options}."
WITHOUT = "What is said of a phone counts only with --phone: add it, or leave the others out."

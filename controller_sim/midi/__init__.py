"""MIDI 1.0: messages, streams, the wire, files and ports. It knows nothing of switches. mido is imported only when it is used."""

from controller_sim.midi.files import MidiFileError, read_midi_file, write_midi_file
from controller_sim.midi.messages import MidiError, check_message, describe, is_message, message_length
from controller_sim.midi.ports import NoPortError, open_output, output_names
from controller_sim.midi.stream import Decoder, Encoder
from controller_sim.midi.wire import largest_queue_bytes, serial_times, usb_packets, usb_times

__all__ = [
    "Decoder",
    "Encoder",
    "MidiError",
    "MidiFileError",
    "NoPortError",
    "check_message",
    "describe",
    "is_message",
    "largest_queue_bytes",
    "message_length",
    "open_output",
    "output_names",
    "read_midi_file",
    "serial_times",
    "usb_packets",
    "usb_times",
    "write_midi_file",
]

"""Bytes from the probes into safe custody: asks each probe at its slot, keeps what was heard, sends it until receipted.

Light on purpose: standard library, pyserial and paho-mqtt. It draws no conclusions; calibration is the pipeline's.
"""

__version__ = "0.1.0"

"""What is in the ground and what it says: quantities, probe descriptions, readings on the wire, line codecs.

Standard library only, and no input or output but reading its own probe descriptions.
"""

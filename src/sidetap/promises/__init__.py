"""What a scheme promises, in raw inputs and outputs: judges beside the scheme, written from the words of the rules.

A site and its program -> the model that ``verify`` checks. Nothing here may import the compiler of schemes or its
blocks (timers, latches, means): who judges must not share what is judged.
"""

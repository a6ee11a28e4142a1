"""How the pelvis is turned at the far ends of repetitions, from pictures of them compared with each other.

At the same point of a repetition a client looks the same each time, so that two pictures can be laid over
each other to a fraction of a pixel. What is left is what this repetition did differently: a pelvis that turns
by itself moves the cloth over it and the thighs by several pixels, where no pose model sees anything.
"""

from analysis.far_ends.apply import compared

__all__ = ["compared"]

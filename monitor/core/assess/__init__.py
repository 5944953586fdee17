"""Whether a starter is fit to bake with, and how jars compare."""

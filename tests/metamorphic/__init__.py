"""The whole job on one site put down in other ways that must not change the answer: `python -m tests.metamorphic`."""

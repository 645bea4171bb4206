"""Many sites in one go: shared out to processes or a cluster, each on its own, taken up again after a kill.

Every site gets its own folder and plan below ``sites/``; one that fails never stops the others. What stands there when
all are through: ``outcomes.csv``, and ``batch.gpkg`` with the same table and every layer of every finished site.
`manifest` says which sites, `task` does one, `many` does all, `outcomes` gathers, `cluster` leads to other machines,
`command` is what the command line shows.
"""

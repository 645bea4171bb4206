"""Bill of quantities: what the plan takes and costs, by zone and for the site."""

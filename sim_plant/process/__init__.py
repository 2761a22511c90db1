"""The physics: water, membranes, hydraulics, electrics, shared vessels. SI inside.

What the model leaves out, on purpose:

- waves: pressures are quasi-steady with small compliances; a water hammer is a surge that instruments see;
- transport delay in pipes: one mixing lag at the source, one mixed volume of feed header for the dose;
- back-flow through membranes: osmotic suck-back of permeate into an idle unit, and the water (not the
  pressure) that a leaking permeate check valve lets back;
- air, single ions, the heat of the pumps, chemical cleaning;
- the effect of a low voltage on a running pump's speed;
- salt and antiscalant in the few litres of the compliances, which pass as if there were none.

The osmotic law is stated for 0.5 to 35 kg/m3 and 5 to 45 degC; beyond that it goes on in a straight
line. Scale follows a stated simple law (``wear``), not the chemistry of a feed.
"""

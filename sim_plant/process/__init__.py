"""The physics: water, membranes, hydraulics, electrics, shared vessels. SI inside.

What the model leaves out, on purpose: water hammer and other waves (pressures are quasi-steady with
small compliances), transport delay in pipes (one mixing lag at the source), osmotic suck-back of
permeate into an idle unit, air, scaling and fouling that come by themselves (faults bring them),
single ions, and heat from the pumps. The osmotic law is stated for 0.5 to 35 kg/m3 and 5 to 45 degC;
beyond that it goes on in a straight line.
"""

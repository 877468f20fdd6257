"""Netlists of AC units: a source, the way in, the bulk capacitor and the converter of each.

The AC source folds its amplitude back where the rms current is above its limit, and clamps at four
times that. What the bench reads comes from integrals over time of the squares and the power.
"""

from __future__ import annotations

import math

from tests.suspects.spice_units_ac import AcParts, phases_of

#: Step of what is written, and the longest one that is computed.
_WRITTEN_S, _STEP_S = 2e-4, 1e-4


def _source(parts: AcParts) -> str:
    """Return the AC source: what it is set to over time, its limit, and what it feeds."""
    begin_s, cycles, before_v = 0.0, parts.phase, 0.0
    points: dict[str, list[str]] = {name: [] for name in ("volts", "most", "load", "cycles")}
    for volts, hertz, limit_a, load_a, duration_s in phases_of(parts):
        end_s = begin_s + duration_s
        if volts != before_v:  # it takes effect at the next zero crossing, as on the bench
            late_s = (math.ceil(2.0 * cycles) - 2.0 * cycles) / (2.0 * hertz) if begin_s else 0.0
            points["volts"] += [
                f"{begin_s + late_s:.8g} {before_v:g}",
                f"{begin_s + late_s + 1e-5:.8g} {volts:g}",
            ]
            before_v = volts
        for name, value in (("most", limit_a), ("load", load_a)):
            points[name] += [f"{begin_s + 1e-5:.8g} {value:g}", f"{end_s:.8g} {value:g}"]
        points["cycles"].append(f"{begin_s:.8g} {cycles:.8g}")
        begin_s, cycles = end_s, cycles + hertz * duration_s
    points["cycles"].append(f"{begin_s:.8g} {cycles:.8g}")
    told = "\n".join(f"V{name} {name} 0 PWL({' '.join(values)})" for name, values in points.items())
    falls = "min(80, 110 * (V(over) - 1))"
    rises = "min(14 * (1 - V(over)) + 0.01, 200 * (1 - V(fold)))"
    over = "max(0, I(Vshunt) - 4 * V(most)) - max(0, -I(Vshunt) - 4 * V(most))"
    return f"""{told}
* share of its amplitude that the limit leaves, by the rms current of a half-cycle
Bsquare 0 msq I = I(Vshunt)*I(Vshunt)*1m
Rmsq msq 0 1k
Cmsq msq 0 6u IC=0
Bover over 0 V = sqrt(abs(V(msq)) + 1e-9) / V(most)
Bfold 0 fold I = 1u * (V(over) > 1 ? -V(fold) * {falls} : {rises})
Cfold fold 0 1u IC=1
Rfold fold 0 1g
Bline live 0 V = V(emf) - 0.1 * I(Vshunt) - 40 * ({over})
Bemf emf 0 V = 1.414213562 * V(volts) * min(V(fold), 1) * sin(6.283185307179586 * V(cycles))
Vshunt live sense 0
Lwire sense wire 20u IC=0
Rwire wire in 0.15
Cstray in 0 1n IC=0
"""


def _varistor(parts: AcParts, node: str, other: str) -> str:
    volts = f"V({node},{other})"
    short = f"Rvshort {node} {other} {parts.varistor_short_ohm}\n"
    size = f"min(abs({volts}), {1.6 * parts.varistor_v})"
    if parts.topology == 0:  # a power law
        law = f"1m * pwr({size} / {parts.varistor_v}, 22)"
    else:  # a table, by the logarithm of the current, steeper at the foot than at the knee
        table = "0,-9, 0.6,-7, 0.8,-5, 0.9,-4.1, 1,-3, 1.1,-1.6, 1.25,0.3, 1.6,2"
        law = f"exp(2.302585 * pwl({size} / {parts.varistor_v}, {table}))"
    return f"Bvar {node} {other} I = {law} * ({volts} > 0 ? 1 : -1)\n{short}"


def _input(parts: AcParts) -> str:
    """Return what is between the wires and the bulk capacitor: ``in`` to ``pos`` and ``neg``."""
    fuse_ohm = 1e9 if parts.is_open else 0.06 + parts.feed_ohm
    contact = f"Rfuse in fused {fuse_ohm}\n"
    if parts.open_s > 0.0:
        contact = f"""Rfuse in lead {fuse_ohm}
Vopen open 0 PULSE(0 1 0.35 1u 1u {parts.open_s} {0.5 + parts.open_s})
Sopen lead fused open 0 contact
.model contact SW(VT=0.5 VH=0.1 RON=20m ROFF=10meg)
"""
    contact += f"Rshort fused 0 {parts.input_short_ohm}\n"
    one = "" if parts.diode_open else "D3 neg line dbr\n"
    bridge = f"""D1 line rect dbr
D2 ret rect dbr
{one}D4 neg ret dbr
Rleg line rect {parts.leg_short_ohm}
Rfloat neg 0 2meg
"""
    if parts.topology == 0:
        return f"""{contact}{_varistor(parts, "fused", "0")}Lone fused line 6m IC=0
Ltwo 0 ret 6m IC=0
Kchoke Lone Ltwo 0.99
Rdamp fused line 3k
Cx line ret 150n IC=0
{bridge}.model dbr D(IS=20n N=1.9 RS=0.04 CJO=40p)
* a thermistor: 25 degC at first, its heat in joules as a voltage
Bhot rect pos I = V(rect,pos) / V(ntc)
Bntc ntc 0 V = 2.5 * exp(2900 * (1 / (298 + V(heat) / 0.15) - 1 / 298))
Bheat 0 heat I = V(rect,pos) * V(rect,pos) / V(ntc) - V(heat) / 8
Cheat heat 0 1 IC=0
"""
    if parts.topology == 1:
        return f"""{contact}Cxone fused 0 68n IC=0
Lone fused coil 0.45m IC=0
Rcoil coil line 0.25
Rdamp fused line 2k
Rret ret 0 1m
{_varistor(parts, "line", "0")}Cxtwo line 0 68n IC=0
{bridge}.model dbr D(IS=4n N=1.7 RS=0.06 CJO=60p)
Rstays rect pos 1.8
"""
    return f"""{contact}Rvshort fused 0 {parts.varistor_short_ohm}
Cx fused 0 100n IC=0
Rbleed fused 0 680k
Rline fused line 20m
Rret ret 0 1m
{bridge}.model dbr D(IS=7n N=1.75 RS=0.05 CJO=50p)
Lafter rect after 0.25m IC=0
Rdamp rect after 1k
Rcold after pos 8
Sbridged after pos mem 0 relay
.model relay SW(VT=0.5 VH=0.2 RON=0.4 ROFF=10meg)
"""


def _bulk(parts: AcParts) -> str:
    bulk_f = parts.bulk_f * parts.bulk_left
    if parts.topology == 1:
        return f"""Resr pos plate {2 * parts.esr_ohm}
Cbulk plate neg {0.5 * bulk_f} IC=0
Resr2 pos plate2 {2 * parts.esr_ohm}
Cbulk2 plate2 neg {0.5 * bulk_f} IC=0
"""
    if parts.topology == 2:
        return f"""Resr pos plate {parts.esr_ohm}
Cbulk plate half {2 * bulk_f} IC=0
Cbulk2 half neg {2.2 * bulk_f} IC=0
Rhalf plate half 220k
Rhalf2 half neg 220k
"""
    return f"Resr pos plate {parts.esr_ohm}\nCbulk plate neg {bulk_f} IC=0\n"


def _converter(parts: AcParts) -> str:
    """Return the converter: what it takes from the bulk capacitor, and what it gives."""
    starts = 1 if parts.starts and parts.bulk_short_ohm > 1e6 else 0
    start_v, stop_v, ramp_s = ((82, 60, 0.03), (88, 55, 0.015), (79, 66, 0.05))[parts.topology]
    output_f = (680e-6, 470e-6, 1000e-6)[parts.topology]
    # of its output power: all its loss but the idle power
    share = parts.loss_w / 60.0
    bulk = "max(V(pos,neg), 20)"
    loss = (
        f"V(gives) * {share} * (0.5 + 0.5 * V(gives) / 60 * pwr(160 / {bulk}, 2))",
        f"V(gives) * {share} * (0.6 + 0.4 * {bulk} / 160)",
        f"V(gives) * {share} * (0.7 + 0.3 * V(gives) / 60)",
    )[parts.topology]
    takes = "V(gives) + V(loss)"
    if parts.topology == 1:  # a current that does not go with bulk voltage, while it ramps
        ramp_w = 0.5 * output_f * parts.output_v**2 / ramp_s
        takes = f"V(share) < 0.99 ? {1.1 * ramp_w / 110.0} * {bulk} + V(load) * V(out) : {takes}"
    idle = f"{parts.idle_w}"
    if parts.topology == 2:  # in bursts, four times as much for a quarter of the time
        idle = f"(V(load) > 0.2 ? {parts.idle_w} : {4 * parts.idle_w} * V(burst))"
    rises = f"min(1 / {ramp_s}, 2000 * (1 - V(share)))"
    behind_v = f"({parts.output_v} * min(V(share), 1) - V(out))"
    given = f"max(0, min({parts.limit_a}, {behind_v} / {parts.droop_ohm}))"
    return f"""Bsense bulk 0 V = V(pos,neg)
Brun run 0 V = {starts} * ((V(bulk) > {start_v}) || ((V(mem) > 0.5) && (V(bulk) > {stop_v})))
Rmem run mem 1k
Cmem mem 0 100n IC=0
Bramp 0 share I = 1u * (V(mem) > 0.5 ? {rises} : -V(share) / 0.004)
Cshare share 0 1u IC=0
Rshare share 0 1g
Vburst burst 0 PULSE(0 1 0 20u 20u 1m 4m)
* the output: a voltage behind its droop, its limit, its capacitor, the load
Bgives 0 out I = V(mem) > 0.5 ? {given} : 0
Cout out 0 {output_f} IC=0
Rout out 0 4.7k
Bload out 0 I = V(load) * min(1, max(V(out), 0) / 0.05)
Bpower gives 0 V = V(mem) > 0.5 ? max(V(out), 0) * {given} : 0
Bloss loss 0 V = {loss}
Btakes pos neg I = V(mem) > 0.5 ? ({idle} + ({takes})) / {bulk} : 0
Rleak pos neg {parts.leak_ohm}
Rbulkshort pos neg {parts.bulk_short_ohm}
Bbreak brk 0 V = (V(bulk) > {parts.breakdown_v}) || (V(broke) > 0.5) ? 1 : 0
Rbreak brk broke 1k
Cbreak broke 0 1n IC=0
Bbroken pos neg I = V(broke) > 0.5 ? V(pos,neg) / 0.45 : 0
"""


def ac_netlist(parts: AcParts) -> str:
    """Return the netlist of one unit on a source that goes through the phases."""
    end_s = sum(phase[4] for phase in phases_of(parts))
    shown = "V(volts2) V(amps2) V(energy) V(bulks) V(bulk2) V(out) V(fold)"
    return f"""unit of topology {parts.topology}
{_source(parts)}{_input(parts)}{_bulk(parts)}{_converter(parts)}
* integrals over time, each as the voltage of one farad
Bvolts2 0 volts2 I = V(live) * V(live)
Cvolts2 volts2 0 1 IC=0
Bamps2 0 amps2 I = I(Vshunt) * I(Vshunt)
Camps2 amps2 0 1 IC=0
Benergy 0 energy I = V(live) * I(Vshunt)
Cenergy energy 0 1 IC=0
Bbulks 0 bulks I = V(bulk)
Cbulks bulks 0 1 IC=0
Bbulk2 0 bulk2 I = V(bulk) * V(bulk)
Cbulk2i bulk2 0 1 IC=0
.options method=gear reltol=2e-3 itl4=50
.tran {_WRITTEN_S} {end_s} 0 {_STEP_S} UIC
.control
run
linearize {shown}
set wr_singlescale
wrdata curve.txt {shown}
.endc
.end
"""

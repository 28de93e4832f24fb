"""Unit strings with the verdict that UCUM's grammar and tables have for them.

Source: UCUM, version 2.1 (sections 2 to 4 for the grammar, the tables for the atoms), read by hand; three
libraries judge them in the suite, and each disagreement stands here by name.
"""

from __future__ import annotations

_VALID = """
1 10* 10^ 10*3 10^9 % [ppth] [ppm] [ppb] mol kmol mmol umol nmol pmol eq meq ueq osm mosm m km dm cm
mm um nm pm m2 cm2 mm2 um2 m3 dm3 cm3 mm3 L dL cL mL uL nL pL fL l ml dl g kg mg ug ng pg fg t s ms
us ns min h d wk mo a ks J kJ mJ W mW kW V mV uV kV A mA uA nA Ohm mOhm kOhm MOhm S mS F uF pF C mC
H Wb T mT G Hz kHz MHz N mN kN Pa kPa hPa mPa MPa bar mbar atm m[H2O] cm[H2O] mm[H2O] m[Hg] mm[Hg]
cm[Hg] K mK Cel [degF] lm lx cd rad deg sr Bq MBq Gy mGy Sv mSv kat ukat nkat U mU kU [iU] [IU]
k[IU] m[IU] [arb'U] [in_i] [ft_i] [yd_i] [mi_i] [lb_av] [oz_av] [gr] [foz_us] [pt_us] [qt_us]
[gal_us] cal kcal eV erg dyn P cP St /min /s /h /d /L /mL /uL /mm3 1/min {beats}/min {breaths}/min
{score} {ratio} {INR} /{HPF} mg{creat} 10*3/uL 10*9/L 10*12/L 10*6/mL mg/dL mg/L g/L g/dL ug/L ng/mL
pg/mL mmol/L umol/L nmol/L meq/L mosm/kg mmol/kg mL/min mL/h L/min mg/kg ug/kg mL/kg mg/kg/h
ug/kg/min mg/kg/min ug/min mg/min mg/h mL/kg/h mL/min/{1.73_m2} mL/cm[H2O] L/s/kPa kg/m2 g/m2 mg/m2
m/s m/s2 cm/s km/h kgf kg.m/s2 N.m J/kg J/cm2 V/m A/m Ohm.m dyn.s/cm5 mm[Hg].min/L s-1 m-2 m.s-2
kat/L U/L [iU]/L [IU]/mL m[IU]/mL mg/(24.h) g/(8.h) mL/(kg.min) (mg/dL)/h kPa.L ms2 mV.s uV.s dB
B[V] [pH] bit By kBy Meq C/F bar1
"""

VALID = tuple(_VALID.split())

_INVALID = """
mcg mcg/kg/min mcg/mL mmHg cmH2O inHg bpm rpm BPM ohm ohms Ohms joules Joules joule volts Volt amps
Amp amp mAmp watts sec secs second seconds mins minute minutes hrs hr hour hours day days week weeks
month yr year years gram grams gm gms kilogram kgs lbs lb pound ounces oz litre liter litres cc ccs
ml/hr gtt drops mEq mEq/L MEQ IU iu IU/L units unit Units/h tablets pct percent percentage degC degF
celsius °C µg μg µL Ω mΩ mg//mL mg/ /mg/ mg..mL (mg (mg/mL mg) mg/{ {x mg{x }x{ mg^2 m^2 m**2 10e3
x10^3 1,000 1.5mg 0.5 -1 +mg mg+g mg-g mg*L mg_L kpa KPA hz khz mhz1 MM[hg] mm[hg] [iu]x [Iu]s cel
CEL degree inch inches foot feet mile newton pascal kelvin nmole mole moles mols mmoles ppm ppb [PPM
[x] [mmHg] m[hg] foo bar_ mg.g.foo per/min beats/min beats /minute min/ /hr
"""

INVALID = tuple(_INVALID.split())

OURS_TAKES_MORE: dict[str, str] = {}
"""Strings that `is_ucum` takes and ucum-lhc does not, with the reason."""

OURS_TAKES_LESS: dict[str, str] = {
    "0.5": "A number in a UCUM term is a string of digits alone; ucum-lhc takes decimals.",
}
"""Strings that ucum-lhc takes and `is_ucum` does not, with the reason."""

HL7_TAKES_MORE: dict[str, str] = {
    "mg//mL": "It reads two solidi where UCUM's grammar has one between two terms.",
    "mg)": "It stops at a parenthesis that nothing opened.",
    "0.5": "It reads a point between two numbers, 0 times 5.",
    "-1": "It reads a number with a sign where UCUM's grammar has digits alone.",
}
"""Strings that HL7's validator takes and `is_ucum` does not, with the reason."""

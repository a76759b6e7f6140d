"""The two physical constants junction needs, and the zero of the Celsius scale.

All three are exact by definition (SI Brochure, 9th edition, 2019, section 2.3.1 and table 4), so
nothing is measured here.  They are written out because importing ``scipy.constants`` costs more than
the whole of a `junction check`; a test holds them equal to ``scipy.constants``, digit for digit.
"""

BOLTZMANN_J_PER_K = 1.380649e-23
ELEMENTARY_CHARGE_C = 1.602176634e-19
ZERO_CELSIUS_K = 273.15

#: Boltzmann constant over elementary charge [V/K].
K_OVER_Q_V_PER_K = BOLTZMANN_J_PER_K / ELEMENTARY_CHARGE_C

#: The temperature all comparisons are referred to [degC], unless the stage says otherwise.
REFERENCE_TEMP_C = 25.0


def thermal_voltage(temp_C):
    """Thermal voltage kT/q.

    Parameters
    ----------
    temp_C : float or ndarray
        Junction temperature [degC].

    Returns
    -------
    float or ndarray
        VT = kT/q [V]; 25.69258 mV at 25 degC.
    """
    return K_OVER_Q_V_PER_K * (temp_C + ZERO_CELSIUS_K)

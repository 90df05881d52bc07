"""What screening writes of spikes is read back by those who report it."""

from wallsim.logs.spike_words import spike_words, without_ignition_spikes


def test_the_igniters_spikes_are_taken_out_with_their_moments():
    reason = f"{spike_words(2, 0.1, 0.3, 7)}; no reading after 9 s"
    told = without_ignition_spikes("spikes, open", reason, 0.05)
    assert told == ("open", "no reading after 9 s", (0.1, 0.3))


def test_other_spikes_stay():
    reason = spike_words(1, 6.0, 6.1, 3)
    assert without_ignition_spikes("spikes", reason, 0.0) == ("spikes", reason, None)

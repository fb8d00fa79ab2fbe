"""Note names and temperaments against ISO 16 and the published tables of intervals."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from simkit.pitch import SCALES, NoteNameError, Pitch, Tuning, cents, note, scale, within

NAMES = st.builds(
    lambda letter, sign, octave: f"{letter}{sign}{octave}",
    st.sampled_from("ABCDEFG"),
    st.sampled_from(["", "#", "b", "##", "bb"]),
    st.integers(0, 9),
)


def test_iso_16_and_equal_temperament():
    """ISO 16:1975: A4 = 440 Hz.  The rest: any table of equal temperament."""
    tuning = Tuning()
    assert tuning.frequency(note("A4")) == 440
    published = {
        "C4": 261.6256, "C5": 523.2511, "D5": 587.3295, "F#5": 739.9888,
        "Bb5": 932.3275, "C6": 1046.5023, "A3": 220.0, "C0": 16.3516, "B8": 7902.1328,
    }  # fmt: skip
    for name, hertz in published.items():
        assert tuning.frequency(note(name)) == pytest.approx(hertz, abs=6e-5)


def test_another_tuning_note():
    assert Tuning(415).frequency(note("A5")) == pytest.approx(830)
    assert cents(Tuning(442).frequency(note("C5")), Tuning().frequency(note("C5"))) == (pytest.approx(7.85, abs=0.01))


@pytest.mark.parametrize(
    ("text", "pitch"),
    [
        ("C#5", Pitch("C", 1, 5)), ("Db5", Pitch("D", -1, 5)), ("C♯5", Pitch("C", 1, 5)),
        ("D♭5", Pitch("D", -1, 5)), ("B♮4", Pitch("B", 0, 4)), ("F##4", Pitch("F", 2, 4)),
        ("Fx4", Pitch("F", 2, 4)), ("Bbb3", Pitch("B", -2, 3)), ("bb3", Pitch("B", -1, 3)),
        (" a4 ", Pitch("A", 0, 4)),
    ],
)  # fmt: skip
def test_spellings(text, pitch):
    assert note(text) == pitch


@pytest.mark.parametrize("text", ["", "H5", "C", "5", "C#", "C5#", "C10", "Cb", "C-1", "do", 5, None])
def test_not_a_note(text):
    with pytest.raises(NoteNameError, match="such as C5, F#4 or Bb5") as refused:
        note(text)
    assert isinstance(refused.value, ValueError)
    assert refused.value.text == text
    assert refused.value.allowed.startswith("a letter A to G")


@given(NAMES)
def test_a_name_reads_back(name):
    assert str(note(name)) == name


def test_one_key_two_names():
    assert note("B#4").key == note("C5").key == note("Dbb5").key
    assert note("Cb5").key == note("B4").key
    tuning = Tuning()
    assert tuning.frequency(note("B#4")) == pytest.approx(tuning.frequency(note("C5")))


def above(tuning, low, high):
    return cents(tuning.frequency(note(high)), tuning.frequency(note(low)))


def test_just_intervals():
    """Cents of Ptolemy's scale: Helmholtz, On the Sensations of Tone, tr. Ellis 1885, App. XX."""
    just = Tuning(temperament="just")
    ellis = {"D5": 203.910, "E5": 386.314, "F5": 498.045, "G5": 701.955, "A5": 884.359, "B5": 1088.269}
    for name, value in ellis.items():
        assert above(just, "C5", name) == pytest.approx(value, abs=5e-4)
    assert above(just, "C5", "C6") == pytest.approx(1200)
    assert just.frequency(note("A4")) == 440
    assert just.frequency(note("C4")) == pytest.approx(264)  # 440 * 3/5


def test_just_on_another_tonic():
    just = Tuning(temperament="just", tonic="D")
    assert above(just, "D5", "F#5") == pytest.approx(386.314, abs=5e-4)
    assert above(just, "D4", "A4") == pytest.approx(701.955, abs=5e-4)
    assert just.frequency(note("D4")) == pytest.approx(440 / 1.5)


def test_pythagorean_intervals():
    """Ditone 407.820, limma 90.225, apotome 113.685, comma 23.460 cents (Ellis 1885, App. XX)."""
    pure = Tuning(temperament="pythagorean")
    assert above(pure, "C5", "E5") == pytest.approx(407.820, abs=5e-4)
    assert above(pure, "E5", "F5") == pytest.approx(90.225, abs=5e-4)
    assert above(pure, "C5", "C#5") == pytest.approx(113.685, abs=5e-4)
    assert above(pure, "Db5", "C#5") == pytest.approx(23.460, abs=5e-4)
    assert above(pure, "A4", "E5") == pytest.approx(701.955, abs=5e-4)
    assert pure.frequency(note("A4")) == 440


@given(
    NAMES,
    st.sampled_from(["equal", "just", "pythagorean"]),
    st.sampled_from(["C", "D", "F#", "Bb", "Eb", "A", "B", "Gb"]),
)
def test_temperaments_stay_near_equal(name, temperament, tonic):
    tuning = Tuning(temperament=temperament, tonic=tonic)
    pitch = note(name)
    # A double sharp is at most 20 fifths away, 2 cents each.
    assert abs(cents(tuning.frequency(pitch), Tuning().frequency(pitch))) < 45


@given(
    st.floats(20, 8000),
    st.sampled_from(["equal", "just", "pythagorean"]),
    st.sampled_from(["C", "D", "F#", "Bb", "E", "Ab"]),
)
def test_nearest_note(frequency, temperament, tonic):
    tuning = Tuning(temperament=temperament, tonic=tonic)
    pitch, off = tuning.nearest(frequency)
    assert tuning.frequency(pitch) * 2 ** (off / 1200) == pytest.approx(frequency)
    # The widest step of these scales is Pythagoras' apotome, or 9/5 to 15/8: 134 cents at most.
    assert abs(off) <= 68


def test_nearest_of_a_note_is_itself():
    for name in ("C5", "C#5", "Eb5", "F#4", "Ab4", "Bb3", "B4"):
        for temperament in ("equal", "just", "pythagorean"):
            tuning = Tuning(temperament=temperament)
            pitch, off = tuning.nearest(tuning.frequency(note(name)))
            assert (str(pitch), round(off, 9)) == (name, 0)


def test_nearest_uses_the_key_of_the_tonic():
    hertz = Tuning().frequency(note("D#5"))
    assert str(Tuning(tonic="E").nearest(hertz)[0]) == "D#5"
    assert str(Tuning(tonic="Bb").nearest(hertz)[0]) == "Eb5"
    for bad in (0, -3, math.inf, math.nan):
        with pytest.raises(ValueError, match="more than 0 Hz"):
            Tuning().nearest(bad)


SPELLED = {
    "C5 major": "C5 D5 E5 F5 G5 A5 B5 C6",
    "Bb4 major": "Bb4 C5 D5 Eb5 F5 G5 A5 Bb5",
    "F#4 major": "F#4 G#4 A#4 B4 C#5 D#5 E#5 F#5",
    "Gb4 major": "Gb4 Ab4 Bb4 Cb5 Db5 Eb5 F5 Gb5",
    "A4 minor": "A4 B4 C5 D5 E5 F5 G5 A5",
    "A4 harmonic minor": "A4 B4 C5 D5 E5 F5 G#5 A5",
    "D5 dorian": "D5 E5 F5 G5 A5 B5 C6 D6",
    # The seven modes are the white keys from each of them.
    "C5 ionian": "C5 D5 E5 F5 G5 A5 B5 C6",
    "E4 phrygian": "E4 F4 G4 A4 B4 C5 D5 E5",
    "F4 lydian": "F4 G4 A4 B4 C5 D5 E5 F5",
    "G4 mixolydian": "G4 A4 B4 C5 D5 E5 F5 G5",
    "A4 aeolian": "A4 B4 C5 D5 E5 F5 G5 A5",
    "A4 natural minor": "A4 B4 C5 D5 E5 F5 G5 A5",
    "B4 locrian": "B4 C5 D5 E5 F5 G5 A5 B5",
    "A4 melodic minor": "A4 B4 C5 D5 E5 F#5 G#5 A5",
    "C5 whole tone": "C5 D5 E5 F#5 G#5 Bb5 C6",
    "C5 blues": "C5 Eb5 F5 Gb5 G5 Bb5 C6",
    "G4 major pentatonic": "G4 A4 B4 D5 E5 G5",
    "G4 pentatonic": "G4 A4 B4 D5 E5 G5",
    "A4 minor  pentatonic": "A4 C5 D5 E5 G5 A5",
    "C5 Chromatic": "C5 C#5 D5 Eb5 E5 F5 F#5 G5 Ab5 A5 Bb5 B5 C6",
}


@pytest.mark.parametrize("name", SPELLED)
def test_scales(name):
    """Key signatures as in any primer of music theory."""
    assert " ".join(map(str, scale(name))) == SPELLED[name]


def test_a_scale_within_a_range_needs_no_octave():
    assert " ".join(map(str, within("A pentatonic", "B3", "C#5"))) == "B3 C#4 E4 F#4 A4 B4 C#5"
    # From any degree, whatever octave the scale is named with.
    assert within("E7 minor", "B3", "D4") == within("E minor", "B3", "D4")
    assert [str(p) for p in within("E minor", "B3", "D4")] == ["B3", "C4", "D4"]
    assert within("C major", "C#0", "C#0") == ()
    with pytest.raises(NoteNameError, match='"A4 pentatonic"'):
        scale("A pentatonic")


def test_as_many_notes_as_asked():
    assert " ".join(map(str, scale("A5 major", 10))) == "A5 B5 C#6 D6 E6 F#6 G#6 A6 B6 C#7"
    assert len(scale("C5 pentatonic", 13)) == 13


@given(NAMES.filter(lambda name: int(name[-1]) < 8), st.sampled_from(sorted(SCALES)))
def test_scales_rise(start, kind):
    keys = [pitch.key for pitch in scale(f"{start} {kind}")]
    assert keys == sorted(set(keys))
    assert keys[-1] - keys[0] == 12
    assert keys[0] == note(start).key


@pytest.mark.parametrize("name", ["C5", "C5 happy", "major", "", "H5 major", None])
def test_not_a_scale(name):
    with pytest.raises(NoteNameError, match="allowed: "):
        scale(name)


def test_not_a_tuning():
    with pytest.raises(NoteNameError, match="equal, just, pythagorean"):
        Tuning(temperament="meantone")
    with pytest.raises(NoteNameError, match="300 to 600"):
        Tuning(a4_hz=44)
    with pytest.raises(NoteNameError, match="such as C, F# or Bb"):
        Tuning(tonic="C5")

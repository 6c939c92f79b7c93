"""The vocabulary: what a key of a preamble or a column's name means, in six languages.

A key is cut into words, words into stems (compounds too), stems into a few ideas; the set of ideas decides. So
``Center Freq``, ``centerFrequency``, ``CF``, ``Mittenfrequenz`` and ``Fréquence centrale`` are one key. All words are
the trade's; common practice, no source.
"""

from __future__ import annotations

import re
import unicodedata
from dataclasses import dataclass
from functools import lru_cache

from spectra.readers.cells import find_unit

__all__ = ["Key", "detector_of", "fold", "ideas_of", "key_of", "trace_mode_of"]

_STEMS = {
    "start": "start begin beginning from first lower low initial anfang anfangs beginn von untere debut depart "
    "initiale inicio inicial comienzo desde inizio iniziale partenza minimum fstart",
    "stop": "stop stp end last upper high ende end stopp bis obere fin arret finale final parada hasta fine arresto "
    "fim maximum fstop fend",
    "freq": "frequency frequencies freq freqs frequ frequenz frequence frequences frequenza frecuencia frequencia frec "
    "frq f fr",
    "centre": "center centre ctr cent cntr mitten zentral zentrum central centrale centro centrada centrata "
    "fcentre fcenter",
    "centrefreq": "cf fc mittelfrequenz",
    "span": "span spanne spannweite hub darstellbereich darstellbreite frequenzhub excursion etendue plage rango "
    "expansion expansao margen "
    "intervallo escursione faixa extensao",
    "res": "resolution resol res auflosung auflosungs auflose aufloesung aufloesungs aufloese resolucion risoluzione "
    "resolucao",
    "video": "video vid videofilter",
    "bw": "bandwidth bandwith bw bandbreite bandbr messbandbreite",
    "band": "bande banda band",
    "pass": "passante",
    "width": "width largeur ancho larghezza largura breite weite ampiezza",
    "filter": "filter filtre filtro",
    "rbw": "rbw resbw rb ifbw",
    "vbw": "vbw vb",
    "if": "if zf fi",
    "sweep": "sweep sweeps swp scan wobbel ablauf balayage balayages barrido barridos scansione scansioni varredura "
    "varreduras durchlaufe durchlaeufe messdurchlaufe messdurchlaeufe",
    "swt": "swt swptime",
    "time": "time zeit temps duree tiempo tempo dauer duration uhrzeit heure hora ora",
    "ref": "reference ref referenz bezugs bezug referencia riferimento rl",
    "level": "level levels lvl lev pegel niveau nivel livello power amplitude amplitudes ampl amp amplitud magnitude "
    "mag leistung puissance potencia potenza",
    "att": "attenuation attenuator att atten attn dampfung daempfung abschwachung abschwaecher abschwacher "
    "eingangsteiler eichleitung attenuateur atenuacion atenuador attenuazione attenuatore atenuacao",
    "det": "detector det detektor detecteur rivelatore rilevatore detetor detection",
    "avg": "average averages averaging averaged avg avgs aver avrg mittelung mittelungen mittelungs mittelwert "
    "mittelwerte mittel mittelwertbildung moyenne moyennes moyennage promedio promedios promediado promediada media "
    "medie medias mediazioni mediazione mediato",
    "count": "count counts number num no nr n anzahl zahl nombre nb numero cantidad quantidade quantita qtd cuenta "
    "conteggio contagem",
    "points": "points point pts pt npts npoints punkte punkt messpunkte werte messwerte values samples puntos punti "
    "pontos stutzpunkte stuetzpunkte valeurs valores valori length size",
    "step": "step steps stepsize schritt schrittweite increment inkrement incremento pas paso passo spacing abstand",
    "trace": "trace traces spur kurve messkurve traza traccia traco courbe curva curve trc",
    "mode": "mode modus modo type typ tipo art modalita mod",
    "unit": "unit units einheit einheiten unite unites unidad unidades unidade unita",
    "x": "x horizontal horizontale",
    "y": "y vertical vertikal verticale",
    "axis": "axis achse axe eje asse eixo",
    "data": "data daten donnees datos dati dados",
    "date": "date datum fecha saved gespeichert recorded captured enregistre guardado salvato salvo timestamp "
    "zeitstempel horodatage datetime acquired erstellt created aufgenommen capturado acquisito",
    "acquisition": "acquisition capture measurement messung mesure medida medicion misura medicao record aufnahme",
    "zone": "zone timezone zeitzone fuseau fuso zona tz",
    "utc": "utc gmt",
    "preamp": "preamp preamplifier vorverstarker vorverstaerker preampli preamplificateur preamplificador "
    "preamplificatore",
    "pre": "pre",
    "amplifier": "amplifier ampli amplificador amplificatore amplificateur verstarker verstaerker",
    "offset": "offset versatz decalage desplazamiento deslocamento scostamento",
    "gain": "gain verstarkung verstaerkung guadagno ganancia ganho",
    "external": "external ext extern externe externo externa esterno esterna",
    "impedance": "impedance impedanz impedancia impedenza z zin wellenwiderstand",
    "range": "range bereich gamme intervalo",
    "scale": "scale scaling skala skalierung teilung echelle escala scala",
    "state": "state status zustand etat estado stato",
    "index": "index idx indice",
    "marker": "marker markers mkr peak peaks spitzen spitze pic pics pico picos picco picchi signal signals signale "
    "signaux senal senales segnale segnali sinal sinais",
    "limit": "limit limits grenzwert limite mask maske upperlimit lowerlimit margin delta",
    "": "d l of the a in to for by at is de der des die das du do da le la les los del della dello di der per por pour "
    "fur fuer und and et e set setting settings value actual current active used source rf hf input eingang "
    "eingangs entree entrada ingresso analyzer analyser instrument instrumento inst meas log linear lin display main "
    "total totale recorded sa swept hold",
}
_WORDS: dict[str, str] = {}
for _idea, _list in _STEMS.items():
    for _word in _list.split():
        _WORDS.setdefault(_word, _idea)
_WORDS |= {"peak": "marker", "log": "", "swt": "swt", "span": "span"}

_RULES: dict[str, str] = {
    "start": "start|start freq|start x|start sweep|start freq sweep",
    "stop": "stop|stop freq|stop x|stop sweep|stop freq sweep",
    "centre": "centre|centre freq|centrefreq|centrefreq freq",
    "span": "span|span freq|sweep width|span sweep|freq width|sweep freq width",
    "rbw": "rbw|res bw|bw|acquisition bw|res|res band|filter bw|if bw|if filter bw|res width band|res band pass|"
    "res filter|res width band pass|width band|rbw filter|res bw filter|res filter width|rbw bw|"
    "if width band|filter width band|res width|filter width|rbw width band|band pass|res freq bw|bw freq|"
    "filter band|width pass band|filter pass band|filter res pass band",
    "vbw": "vbw|video bw|video|video band|video width band|video filter|video band pass|vbw filter|video width band "
    "pass|video filter bw|vbw bw|video width|video filter band",
    "detector": "det|det mode|det trace|det trace mode|trace det mode",
    "averages": "avg|avg count|avg sweep|avg sweep count|avg trace|avg trace count|sweep count|avg sweep trace"
    "|count trace avg|avg data count|video avg|video avg count|level avg",
    "average_type": "avg mode|avg mode level|avg mode trace|avg mode sweep",
    "points": "points|points count|points sweep|points trace|points freq|points data|points sweep count|points trace "
    "count|points data count|points acquisition|count points acquisition|trace sweep points|count points freq",
    "step": "step|step freq|step points|step sweep",
    "range": "range|freq range|sweep range|freq sweep range",
    "sweep_time": "sweep time|swt|sweep time count|swt sweep|sweep time trace",
    "reference_level": "ref|ref level|ref level y",
    "attenuation": "att|att level",
    "trace_mode": "trace mode|trace mode data",
    "trace": "trace|trace count|trace data",
    "level_unit": "unit|y unit|level unit|y axis unit|data unit|trace unit|level axis unit|y level unit|unit trace data"
    "|y axis level unit|acquisition unit",
    "frequency_unit": "x unit|freq unit|x axis unit|freq axis unit|x freq unit|x axis freq unit",
    "when": "date|date time|date y time|time|acquisition date|acquisition time|acquisition date time|date trace|"
    "date sweep|start time|start date|start date time|date data|file date|sweep start time",
    "zone": "zone|zone time|utc offset|utc|utc offset time",
    "impedance": "impedance|impedance level",
    "preamplifier": "preamp|preamp state|pre amplifier|pre level|preamp gain|preamp mode",
    "level_offset": "offset|ref level offset|level offset|ref offset|external gain|gain|gain external level|"
    "external att|external offset|y offset|gain offset external",
    "frequency_offset": "freq offset|x offset",
    "axis_scale": "sweep mode|sweep scale|sweep step mode|x axis|freq axis|x scale|freq scale|x axis scale|"
    "freq axis scale|x axis mode|freq axis mode|x scale mode|freq scale mode|freq sweep mode|freq mode",
}
_BY_IDEAS: dict[frozenset[str], str] = {
    frozenset(words.split()): concept for concept, rules in _RULES.items() for words in rules.split("|")
}


@lru_cache(maxsize=16384)
def fold(text: str) -> str:
    """Return text in lower case without accents."""
    if text.isascii():
        return text.lower()
    text = text.replace("ß", "ss").replace("µ", "u").replace("μ", "u")
    return "".join(c for c in unicodedata.normalize("NFKD", text) if not unicodedata.combining(c)).lower()


_CAMEL = re.compile(r"(?<=[a-z])(?=[A-Z])|(?<=[A-Z])(?=[A-Z][a-z])|(?<=[A-Za-z])(?=[0-9])|(?<=[0-9])(?=[A-Za-z])")
_SPLIT = re.compile(r"[^a-z0-9]+")


@lru_cache(maxsize=16384)
def _ideas_of_word(word: str) -> tuple[str, ...] | None:
    if word in _WORDS:
        return (_WORDS[word],)
    for cut in range(len(word) - 2, 2, -1):  # compounds, longest known head first
        head = next(
            (_WORDS[w] for w in (word[:cut], word[:cut].rstrip("s"), word[:cut].rstrip("n")) if w in _WORDS), None
        )
        if head is not None:
            tail = _ideas_of_word(word[cut:])
            if tail and tail != ("",) and len(word) - cut >= 2:
                return (head, *tail)
    return None


@lru_cache(maxsize=16384)
def ideas_of(text: str) -> tuple[frozenset[str], frozenset[str], int | None]:
    """Return the ideas in a key, the words nobody knows, and the number in it (as in ``Trace 2 Detector``)."""
    spaced = text if fold(text) in _WORDS or text.isupper() else _CAMEL.sub(" ", text)
    ideas: set[str] = set()
    strange: set[str] = set()
    number: int | None = None
    before: tuple[str, ...] = ()
    for word in _SPLIT.split(fold(spaced)):
        if not word:
            continue
        if word.isdigit():
            number = int(word) if len(word) < 4 else number
            continue
        found = _ideas_of_word(word)
        if before[-1:] == ("trace",) and len(word) == 1 and word in "abcdefgh":
            number = ord(word) - ord("a") + 1
        elif found is None:
            strange.add(word)
        else:
            ideas.update(found)
        before = found or ()
    ideas.discard("")
    return frozenset(ideas), frozenset(strange), number


@dataclass(frozen=True, slots=True)
class Key:
    """What a key means: the concept (a key of the settings), its unit, and the trace it speaks of."""

    concept: str
    unit: str | None = None
    trace: int | None = None


_ABBREVIATED = {
    "rbw": ("rbw", frozenset({"rbw", "res", "bw", "filter", "band", "width", "pass", "freq", "sweep", "trace", "if"})),
    "vbw": ("vbw", frozenset({"vbw", "video", "bw", "filter", "band", "width", "pass", "freq", "sweep", "trace"})),
    "swt": ("sweep_time", frozenset({"swt", "sweep", "time", "trace"})),
    "centrefreq": ("centre", frozenset({"centrefreq", "centre", "freq"})),
}
"""Abbreviations that say it all, and what may stand beside them: ``Resolution Bandwidth (RBW)``."""
_AT_3_DB = re.compile(r"[(\[]?[-\u2212]?\b3(?:[.,]0)? ?dB\b[)\]]?", re.IGNORECASE)
_BRACKETS = re.compile(r"[\[\](){}<>\"']+")
_IN_BRACKETS = re.compile(r"[\[({<][^\])}>]*[\])}>]")
_WORD = re.compile(r"[^\W\d_]")


@lru_cache(maxsize=16384)
def key_of(text: str) -> Key | None:
    """Return what a key means, or None."""
    text = text.strip(" \t:=\"'#!;,.*")
    if not text or len(text) > 60 or not _WORD.search(text):
        return None
    if "3" in text and (plain := _AT_3_DB.sub(" ", text)) != text and ideas_of(plain)[0] & {"rbw", "res"}:
        text = plain.strip()  # where the width of the filter is taken
    unit, name = find_unit(text)
    if unit is not None and not name.strip(" []()_-"):
        return None
    bare = _IN_BRACKETS.sub(" ", name)
    name = _BRACKETS.sub(" ", name)
    if name.strip() in ("N", "n"):
        return Key("points")
    if bare.strip() and bare.strip() != name.strip() and ideas_of(name)[1]:
        name = bare  # a remark in brackets, such as (-3 dB) or (Auto)
    ideas, strange, number = ideas_of(name)
    if strange or not ideas:
        return None
    concept = _BY_IDEAS.get(ideas) or _BY_IDEAS.get(ideas - {"count"})
    if concept is None and number is not None:
        concept = _BY_IDEAS.get(ideas - {"trace"})
    if concept is None:
        concept = next((c for idea, (c, beside) in _ABBREVIATED.items() if idea in ideas and ideas <= beside), None)
    if concept is None:
        return None
    if concept == "rbw" and ideas == {"res"} and unit is None and "." in text:
        return None
    return Key(concept, unit, number if "trace" in ideas else None)


_DETECTORS = (
    (r"quasi|\bqp\w*\b|\bcispr\b", ""),
    (r"\bneg\w*|\bmin\b.*|\bmin\w*\s*(peak|spitz\w*)|negpeak|minpeak", "negative_peak"),
    (r"\bauto\s*peak\b|\bautopeak\b|\bnormal\w*\b|\bnrm\b|\bnorm\b", "normal"),
    (r"\brms\b|\beffektiv\w*|\beff\b|efficace|eficaz", "rms"),
    (r"\blog\w*|\bvideo\b", "log_average"),
    (r"\b(power|pwr|leistung\w*|puissance|potencia|potenza)\b", "rms"),
    (r"\bvolt\w*|\blin(ear)?\b|spannung\w*|\btension\b", "voltage_average"),
    (r"\bpos\w*\b|\bmax\w*\b|\bpeak\b|\bpk\b|spitz\w*|\bpic\b|\bcrete\b|\bpicco\b|\bpico\b", "peak"),
    (r"\bsamp\w*|\bsmp\w*|abtast\w*|echantillon\w*|muestr\w*|campion\w*|amostr\w*|\bmomentan\w*", "sample"),
)
_DETECTOR_RES = tuple((re.compile(pattern), name) for pattern, name in _DETECTORS)
_AVERAGE_WORD = re.compile(r"\b(average|avg|aver|mittel\w*|moyen\w*|promedi\w*|medi[ao]|av)\b")


@lru_cache(maxsize=1024)
def detector_of(text: str) -> str | None:
    """Return the detector of the contract for a word, "average" where only that is said, None if unknown."""
    folded = fold(text[:100]).replace("_", " ").replace("-", " ").replace("/", " ").strip(" ()[]\"'")
    for pattern, name in _DETECTOR_RES:
        if pattern.search(folded):
            return name or None
    return "average" if _AVERAGE_WORD.search(folded) else None


_MODES = (
    (
        (
            r"max\w*\s*(hold|h|hld|halten)|\bmaxh\w*|\bmxh\w*|max\s*halte\w*|\bmaximum\b|maintien max|retencion max\w*|"
            r"max\w* (mantenid\w*|retenid\w*)|mantenim\w* mass\w*|tenuta max\w*|retencao max\w*|\bmax\b|\bpeak hold\b|"
            r"hochsthalte\w*|\bmassim\w*|\bmaxim\w*"
        ),
        "max_hold",
    ),
    (
        (
            r"min\w*\s*(hold|h|hld|halten)|\bminh\w*|\bmnh\w*|min\s*halte\w*|\bminimum\b|maintien min|retencion min\w*|"
            r"mantenim\w* min\w*|retencao min\w*|\bmin\b|\bminim\w*"
        ),
        "min_hold",
    ),
    (r"\baver\w*|\bavg\w*|\bmean\b|\bmittel\w*|\bgemittelt\w*|\bmoy\w*|\bpromedi\w*|\bmedi[aeo](?!n\b)\w*", "average"),
    (
        (
            r"\bcl\w*\s*w\w*|\bclear\w*|\blive\b|\bactual\b|\bwrite\b|\bnormal\b|\bcurrent\b|\blaufend\w*|\baktuell\w*|"
            r"\beffac\w*|\becriture\b|\bdirect\b|\bactif\b|\bborrar\w*|\bescri\w*|\bcancell\w*|\blimpar\w*|\brefresh\b|"
            r"\bsobrescri\w*|\bviva?\b|\bvivo\b|\bdiretta?\b|\bdiretto\b|\bloschen\w*|\bloeschen\w*|\bblank\w* write"
        ),
        "clear_write",
    ),
)
_MODE_RES = tuple((re.compile(pattern), name) for pattern, name in _MODES)


_PEAKS = re.compile(r"\b(?:max|min)\w* ?peak\b(?! hold)")
"""Detectors, no trace modes."""


@lru_cache(maxsize=1024)
def trace_mode_of(text: str) -> str | None:
    """Return the trace mode of the contract for a word or a column's name, None if it names none."""
    folded = fold(text[:100]).replace("_", " ").replace("-", " ").replace("/", " ").replace(".", " ")
    folded = re.sub(r"(?<=[a-z])(?=[0-9])|(?<=[0-9])(?=[a-z])", " ", folded)
    folded = _PEAKS.sub(" ", folded)
    for pattern, name in _MODE_RES:
        if re.search(pattern, folded):
            return name
    return None

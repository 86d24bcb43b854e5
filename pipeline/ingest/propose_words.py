"""Roots of words by which a proposal tells what a column, a result or a reason is: English, German, Japanese.

In:    nothing.
Out:   dictionaries from one of our names to roots; `roots_score`, `best_word`.
After: a root is written without signs, in small letters. The order inside a list does not matter; a longer root wins.
"""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Iterable, Mapping
from typing import Final

COLUMN_ROOTS: Final[Mapping[str, str]] = {
    "machine": "machine mach mc maschine unit anlage equipment 設備 号機 マシン 装置",
    "head": "head kopf ヘッド",
    "spindle": "spindle spindel sp nozzleposition nozzleno spindleno スピンドル ノズル位置",
    "nozzle_type": "nozzletype tiptype tip düsentyp duesentyp ノズル種 ノズルタイプ",
    "nozzle": "nozzle noz nz nozzleid nozzleserial düse duese pipette ノズル",
    "feeder": "feeder fed feederid magazin zubringer förderer foerderer zuführung zufuehrung フィーダ フィーダー",
    "slot": "slot place platz stellplatz rüstplatz track slotno スロット",
    "lane": "lane spur レーン",
    "part": (
        "part pn partno partnumber component comp item material teil teilenummer bauteil artikel sachnummer 部品 品番"
    ),
    "package": "package pkg case bauform gehäuse gehaeuse パッケージ",
    "reel": "reel reelid rolle rollenid spule リール",
    "previous_reel": "previousreel before vorher vorigerolle 前リール",
    "lot": "lot lotno batch charge los ロット",
    "recipe": "recipe program prg programm rezept プログラム レシピ",
    "method": "method vision optics recognition erkennung verfahren 認識方式 認識方法",
    "lighting": "light lighting licht beleuchtung 照明",
    "work_order": "workorder order auftrag jobno 指図 オーダ",
    "board": "board panel pcb leiterplatte nutzen 基板",
    "designator": "designator refdes ref reference des einbauplatz 回路記号 リファレンス",
    "outcome": "result outcome res status ergebnis resultat 結果 判定",
    "reason": "reason cause error err errorcode code ursache fehler fehlercode grund 原因 エラー",
    "try_number": "try retry attempt trynumber tryno versuch リトライ 試行",
    "dx": "dx offx offsetx xoffset xoff versatzx x",
    "dy": "dy offy offsety yoffset yoff versatzy y",
    "dangle": "dangle angle theta offsetangle winkel drehung 角度",
    "attempts": "attempts tries picks pickcount picked pick pickup pickups aufnahmen aufgenommen 吸着数 吸着回数",
    "placed": "placed placements placement mounted bestückt bestueckt verbaut 実装数 搭載数",
    "not_placed": "notplaced unplaced lost nichtbestückt 未実装",
    "missed": (
        "missed misses miss mispick mispicks pickerror pickerrors fehlgriffe fehlpicks pickfehler aufnahmefehler "
        "吸着ミス 吸着エラー"
    ),
    "rejected": "rejected rejects reject refused visionerror visionerrors abgelehnt erkennungsfehler 認識エラー",
    "dropped": "dropped drops drop fell verloren 落下",
    "returned": "returned returns zurück zurueck 返却",
    "unknown": "unknown unbekannt 不明",
    "remaining": "remaining remain rest restmenge 残数 残量",
    "grain": "grain level ebene",
    "event": "event action what ereignis vorgang イベント",
    "quantity": "quantity qty count menge anzahl 数量",
    "kind": "kind what object art gegenstand 種別",
    "id": "id which serial nummer 番号",
    "action": "action done work tätigkeit taetigkeit massnahme maßnahme 作業",
    "note": "note remark comment bemerkung notiz 備考",
    "what": "what measure quantity merkmal messgröße 項目",
    "expected": "expected taught nominal soll sollwert 規定値",
    "measured": "measured found actual ist istwert messwert 測定値",
    "low": "low least lower min untergrenze 下限",
    "high": "high most upper max obergrenze 上限",
    "unit": "unit in einheit 単位",
    "good": "good ok gut pass 合否",
    "fault_type": "fault faulttype error fehler alarm störung stoerung 異常 エラー",
    "code": "code number nummer コード",
    "occurrence": "occurrence occurrenceid alarmid ereignisnummer",
    "start": "start begin from beginn von 開始",
    "time": "time timestamp date datetime end zeit datum zeitpunkt uhrzeit ende 日時 時刻 日付 終了",
}

OUTCOME_ROOTS: Final[Mapping[str, str]] = {
    "placed": "ok good placed place pass passed success mounted done gut io bestückt bestueckt 正常 良 良品 成功 実装",
    "missed": (
        "miss missed nopick nopart pickerror pickuperror pickfail empty vacuum leer fehlgriff nichtgegriffen "
        "aufnahmefehler keinteil 吸着ミス 吸着エラー 吸着"
    ),
    "rejected": (
        "reject rejected rej ng bad badpart refused recognition vision visionerror abgelehnt ausschuss verworfen nio "
        "erkennungsfehler schlecht 認識エラー 認識 不良"
    ),
    "dropped": "drop dropped lost fell fallen verloren 落下",
    "returned": "back return returned zurück zurueck 返却 戻",
    "unknown": "unknown unbekannt 不明",
}

REASON_ROOTS: Final[Mapping[str, str]] = {
    "vacuum": "vacuum vac novacuum vakuum unterdruck 真空",
    "pickup": "pickup pick empty emptypocket pocket leer aufnahme 吸着",
    "size": "size dimension width length größe groesse mass maß abmessung 寸法 サイズ",
    "shape": "shape outline form kontur umriss 形状",
    "lead_or_ball": "lead leads ball balls pin anschluss bein リード ボール",
    "orientation": "turned turn rotated orientation polarity gedreht lage polung 向き 極性",
    "lighting": "light dark toodark bright lighting licht dunkel hell 照明 明るさ",
    "electrical": "electrical electric elektrisch 電気",
    "mechanical": "mechanical knocked collision mechanisch kollision 機械",
}

VALUE_ROOTS: Final[Mapping[str, Mapping[str, str]]] = {
    "method": {
        "laser": "laser レーザー レーザ",
        "camera_side": "side cameraside seite seitenlicht 側面",
        "camera_back": "back cameraback backlight durchlicht 透過",
        "camera_reflected": "reflected camerareflected camera front auflicht kamera 反射 カメラ",
        "none": "none keine なし",
    },
    "event": {
        "load": "load loaded on auf gerüstet geruestet 装着",
        "unload": "unload unloaded off ab abgerüstet abgeruestet 取外",
        "splice": "splice spliced joined gespleißt gespleisst スプライス",
        "count": "count counted gezählt gezaehlt 計数",
        "recipe": "recipe program programm プログラム",
        "board_start": "boardstart boardin start ein 開始",
        "board_end": "boardend boardout end finish aus 終了",
    },
    "action": {
        "cleaned": "cleaned clean washed gereinigt reinigung 清掃",
        "replaced": "replaced replace renewed changed ersetzt getauscht 交換",
        "adjusted": "adjusted adjust set eingestellt justiert 調整",
        "calibrated": "calibrated calibrate kalibriert 校正",
        "inspected": "inspected inspect lookedat checked geprüft geprueft 点検",
        "repaired": "repaired repair mended repariert 修理",
    },
    "kind": {
        "nozzle": "nozzle tip düse duese ノズル",
        "spindle": "spindle spindel",
        "head": "head kopf ヘッド",
        "feeder": "feeder förderer フィーダ フィーダー",
        "slot": "slot",
        "machine": "machine unit maschine 設備",
    },
    "grain": {"nozzle": "nozzle", "feeder": "feeder", "part": "part", "machine": "machine", "joint": "joint"},
    "good": {"true": "true ok good pass gut 1 yes ja", "false": "false ng bad fail schlecht 0 no nein"},
}

COUNT_ROOTS: Final[Mapping[str, str]] = {
    **{ours: f"{COLUMN_ROOTS.get(ours, '')} {roots}" for ours, roots in OUTCOME_ROOTS.items()},
    "attempts": COLUMN_ROOTS["attempts"],
}
"""Roots for columns of counts: how a pick ended is counted under the same words as it is told."""

_LOST: Final = re.compile(
    r"\b(err|fail|miss|reject|refus)|(err|errs|fail|fails|miss|misses)\b|error|mispick|fehl|ausschuss|abgelehnt"
    r"|ミス|エラー|不良"
)
"""What a count of picks or placed parts is not called; looked for in words with blanks between them."""
_LOST_HOW: Final = (
    ("missed", re.compile(r"pick|suction|vac|vak|aufnahm|吸着")),
    ("rejected", re.compile(r"vis|recog|camera|optic|erkenn|認識")),
    ("dropped", re.compile(r"drop|lost|verloren|落下")),
)
"""Where the loss came about, as such a name says beside it."""
_COUNTED: Final = re.compile(r"count|cnt|anzahl|qty|quantity|menge|changes|wechsel|total|回数|個数")


OUTCOMES_COUNTED: Final = ("attempts", "placed", "missed", "rejected", "dropped", "returned")
"""Counts whose names an id does not have."""


def bare(text: str) -> str:
    """Small letters, digits and signs of other scripts only.

    >>> bare("Nozzle_ID"), bare("Düse Nr."), bare("ＮＧ")
    ('nozzleid', 'düsenr', 'ng')
    """
    return re.sub(r"[\W_]+", "", unicodedata.normalize("NFKC", text).casefold())


def _words(text: str) -> str:
    """The words of a title in small letters, with blanks between them.

    >>> _words("PickErr_cnt [Stk.]")
    'pick err cnt stk'
    """
    parts = (bare(p) for p in re.split(r"[\W_]+|(?<=[a-z])(?=[A-Z])", text))
    return " ".join(p for p in parts if p)


def roots_score(text: str, roots: str) -> int:
    """How well a text fits a list of roots: 400 the same, 300 one of its words, 200 begins, 100 holds; plus the length.

    Roots of fewer than four Latin letters only count as the whole text or a whole word.

    >>> [roots_score(t, "nozzle noz") // 100 for t in ("NOZ", "Nozzle ID", "nozzles", "the nozzles", "ozone")]
    [4, 3, 2, 1, 0]
    """
    whole = bare(text)
    parts = {bare(p) for p in re.split(r"[\W_]+|(?<=[a-z])(?=[A-Z])", text)}
    best = 0
    for root in roots.split():
        long = len(root) >= 4 or not root.isascii()
        if whole == root:
            level = 400
        elif root in parts:
            level = 300
        elif long and whole.startswith(root):
            level = 200
        elif long and root in whole:
            level = 100
        else:
            continue
        best = max(best, level + min(len(root), 99))
    return best


def count_score(title: str, ours: str, roots: Mapping[str, str]) -> int:
    """How well a title fits one of our counts, on the scale of `roots_score`; a unit in brackets does not count.

    A count of losses is no count of picks, whatever it is called: "Pick errors" are missed picks.

    >>> [count_score("Pick Err [pcs]", c, COLUMN_ROOTS) // 100 for c in ("attempts", "missed", "rejected")]
    [0, 3, 0]
    """
    plain = re.sub(r"[\[(][^\])]*[\])]", " ", title)
    lost = _LOST.search(_words(plain)) is not None
    if lost and ours in ("attempts", "placed"):
        return 0
    how = next((c for c, words in _LOST_HOW if lost and words.search(bare(plain))), None)
    if how is not None and how != ours and ours in ("missed", "rejected", "dropped"):
        return 0
    score = max(roots_score(t, f"{roots.get(ours, '')} {ours}") for t in (title, plain))
    return max(score, 310) if how == ours else score


def count_word(title: str) -> str | None:
    """The count that a title surely is of, under the words for outcomes too; None where it is of none."""
    scored = [(count_score(title, c, COUNT_ROOTS), c) for c in COUNT_ROOTS]
    top = max(s for s, _ in scored)
    return next(c for s, c in scored if s == top) if top >= 300 else None


def is_count(title: str, roots: str) -> bool:
    """True if a title that fits the roots of an id is one of a count: it says so, and its last word is none of the id.

    >>> [is_count(t, COLUMN_ROOTS["nozzle"]) for t in ("NZ-001 Picks", "Nozzle errors", "Pick nozzle", "Nozzle No")]
    [True, True, False, False]
    """
    if roots_score(_words(title).rpartition(" ")[2], roots) >= 300:
        return False
    said = _LOST.search(_words(title)) or _COUNTED.search(bare(title))
    return said is not None or any(count_score(title, c, COLUMN_ROOTS) >= 300 for c in OUTCOMES_COUNTED)


def best_word(text: str, choices: Mapping[str, str], allowed: Iterable[str]) -> tuple[str | None, bool]:
    """The word whose roots fit best, or None; and whether it fits as a whole."""
    scored = [(roots_score(text, f"{choices[w]} {bare(w)}"), w) for w in allowed if w in choices]
    scored = [s for s in scored if s[0]]
    if not scored:
        return None, False
    top = max(s for s, _ in scored)
    return next(w for s, w in scored if s == top), top >= 300

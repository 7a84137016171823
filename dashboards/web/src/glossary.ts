// The trade's terms as this program uses them, with the standard each comes from. Where the words of a standard are not at
// hand the entry says "common practice".

export interface TermEntry {
  word: string;
  /** Other forms under which sentences use it. */
  also: string[];
  text: string;
  source: string;
}

export const slug = (word: string): string => word.toLowerCase().replace(/[^a-z0-9]+/g, "-").replace(/^-|-$/g, "");

const t = (word: string, also: string[], source: string, text: string): TermEntry => ({ word, also, text, source });

export const TERMS: readonly TermEntry[] = [
  t("4-20 mA loop", ["loop current"], "IEC 60381-1", "Two wires that carry a measurement as current: 4 mA at the lower end of the range, 20 mA at the upper end. Below 4 mA there is room to tell a broken wire from a low value."),
  t("HART", [], "IEC 61158 type 20; HCF_SPEC-54", "A digital exchange over the same two wires: the current is modulated a little, around its mean, so that the device can answer questions without disturbing the analog value."),
  t("digital value", ["primary variable"], "HCF_SPEC-127, command 3", "The measurement as the device says it over HART, in its engineering unit. It never passed the current output, the wires or the input card."),
  t("registered current", [], "this program", "The current that belongs to the digital value by the register: range and transfer function, clipped to 3.8 and 20.5 mA."),
  t("reported current", [], "HCF_SPEC-127, command 3", "The current that the device says it drives. It is what the device believes, not a measurement of the loop."),
  t("current at the input", ["measured current"], "this program", "The current that the control system's input card measured. It went through everything: output stage, terminals, wires, supply, barrier, card."),
  t("difference", ["deviation"], "this program", "Current at the input minus registered current, in percent of the 16 mA span: analog minus digital. Where it leaves zero the two copies of one measurement part."),
  t("tolerance", [], "site's register", "The difference that the site allows for this loop, in percent of span, either way."),
  t("lower range value", ["LRV"], "IEC 60050-311", "The value at 4 mA, set in the device."),
  t("upper range value", ["URV"], "IEC 60050-311", "The value at 20 mA, set in the device. Below the lower one, the loop acts in reverse."),
  t("span", ["% of span"], "IEC 60050-311", "Upper minus lower range value; in current, 16 mA. A difference of 1 % of span is 0.16 mA."),
  t("transfer function", [], "HCF_SPEC-183, table 3", "How percent of range becomes percent of current: linear, or the square root that flow by differential pressure needs."),
  t("damping", [], "HCF_SPEC-127", "A low-pass filter in the device, in seconds. It slows both copies alike; after a step the two agree before the value does."),
  t("failure signal", ["failure current", "alarm current"], "NAMUR NE 43", "3.6 mA or less, or 21 mA or more: the device says that it cannot measure. A loop that cannot pass 21 mA cannot say so."),
  t("saturated", ["saturation"], "NAMUR NE 43", "The current rests at 3.8 mA or 20.5 mA: the value lies beyond the range, how far is not known."),
  t("failure", [], "NAMUR NE 107", "The output is not valid, because of a malfunction in the device or at its fringe."),
  t("function check", [], "NAMUR NE 107", "The output is for a time not valid, because somebody works on the device."),
  t("out of specification", [], "NAMUR NE 107", "The device found that it runs beyond its limits, or that its uncertainty is larger than stated."),
  t("maintenance required", ["asks for maintenance"], "NAMUR NE 107", "The output is still valid, but some reserve is used up."),
  t("fixed current", ["held fixed", "holds its output"], "HCF_SPEC-99, device status bit 3", "The device no longer lets its output follow the value: left so after a loop test, or set for multi-drop. The control system sees a value that stands."),
  t("multi-drop", ["multidrop"], "HCF_SPEC-81", "Several devices on one pair; each parks its current at 4 mA, so the current carries no measurement. Only the digital value is left."),
  t("cold start", ["cold starts"], "HCF_SPEC-99, device status bit 5", "The device has started anew: power was lost, or it reset itself."),
  t("configuration change counter", ["configuration changed"], "HCF_SPEC-127, command 0", "A count that the device raises whenever something in it is set. A step without announced work is worth a question."),
  t("failed exchange", ["failed exchanges", "communication errors"], "this program", "A question over HART that got no answer, or one that did not check."),
  t("burst message", ["burst"], "HCF_SPEC-81", "A reading that the device publishes unasked. It is taken as a reading of its own time."),
  t("onset", [], "this program", "When it began, with the interval in which it began with 80 % probability."),
  t("offset", [], "IEC 61298-2", "A difference that is the same over the whole range."),
  t("span error", ["more at high current"], "IEC 61298-2", "A difference that grows along the range, like that of a leak across the pair or a wrong sense resistor."),
  t("supply-limited", ["stops rising"], "common practice", "The current has a ceiling: supply voltage minus all drops leaves too little for more. What lies above the ceiling, a failure signal included, does not pass."),
  t("intermittent", ["in episodes"], "common practice", "The difference comes and goes: water, a loose terminal, vibration."),
  t("expanded uncertainty", ["k = 2"], "ISO/IEC Guide 98-3 (GUM)", "Half the width of an interval that holds the true mean with about 95 % probability; k is its coverage factor. Without the input's accuracy only the statistical part is known."),
  t("as found", ["as-found", "as left", "as-left"], "IEC 61511-1; common practice", "The difference before anything was touched, and after. Both are worth writing down: the first tells what the plant lived with."),
  t("safety loop", ["safety loops"], "IEC 61511-1", "A loop that a safety instrumented function uses. It is touched only under the site's bypass procedure."),
  t("proof test", [], "IEC 61511-1", "A periodic test that reveals dangerous hidden faults of a safety function. Nothing that this program shows replaces one."),
  t("acknowledged", ["acknowledge"], "IEC 62682 / ISA-18.2", "A person has seen it and says so. Nothing is decided by that yet."),
  t("shelved", ["shelve"], "IEC 62682 / ISA-18.2", "Put aside for a time, with a reason and an end; at its end it comes back by itself."),
  t("out of service", [], "IEC 62682 / ISA-18.2", "Put aside until a person puts it back, because the loop itself is not in use."),
  t("attended", ["attend"], "this program", "Somebody was there. What was found and done is written down, and from then on the detectors watch for proof."),
  t("proved", [], "this program", "After the work the difference stayed away, with the stated confidence and hours of running; the case closed itself."),
  t("returned", [], "this program", "After work or proof it is there again."),
  t("common cause", ["common causes"], "IEC 61508-4; this program", "Loops that show the same and share something more often than chance allows: a junction box, a supply, a card, a gateway, a device revision."),
  t("attention", [], "this program", "The order of the list: real × purpose × soon × lasting. How probable it is, what the loop is for, how soon or how much of the measurement is lost, and less once it has ended."),
  t("not judged", [], "this program", "What the watch cannot say anything about, with the reason. Silence does not read as agreement."),
  t("companions", ["redundancy group"], "common practice", "Loops that measure the same thing. One that departs while the others agree is the one to look at."),
  t("scatter", [], "this program", "How much the value moves from one reading to the next, against the loop's own past at like level. A blocked impulse line makes it small."),
  t("junction box", [], "common practice", "Where many pairs from the field meet the trunk cable. Water in it touches many loops."),
  t("gateway", [], "HCF_SPEC-85 (HART-IP)", "Serves HART exchanges of many loops over a network."),
];

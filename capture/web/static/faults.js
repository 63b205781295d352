// Faults that the bench found in what a form sent, in the words of the form.

const WHERE = /^body\.([A-Za-z0-9_.]+): (.+)$/;

/** Say what is wrong by the words that stand beside each field; go to the first of them. */
export function worded(form, problem) {
  const faults = problem.document?.faults;
  if (!Array.isArray(faults)) return problem.message;
  let first = null;
  const lines = faults.map((fault) => {
    const [, name, what] = WHERE.exec(fault) || [];
    const field = name && form.elements.namedItem(name);
    const label = field?.labels?.[0]?.textContent.trim();
    if (!label) return fault;
    first ??= field;
    // The field is named before it, so the value stands where the library has its own word.
    return `${label}: ${what.startsWith("Input should") ? field.value.trim() + what.slice("Input".length) : what}`;
  });
  first?.focus();
  return lines.join("; ");
}

// A fault that a person can do something about: `key` names its sentence in the texts.

export class Problem extends Error {
  /** `detail` is the server's own plain sentence, shown after ours. `final`: no use retrying. */
  constructor(key, { detail = null, final = true, cause } = {}) {
    super(key, { cause });
    this.key = key;
    this.detail = detail;
    this.final = final;
  }
}

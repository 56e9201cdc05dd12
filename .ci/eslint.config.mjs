// Lint of the pages' scripts: npm --prefix .ci install && npm --prefix .ci exec -- eslint -c .ci/eslint.config.mjs optimize
import js from "@eslint/js";
import globals from "globals";

export default [
  js.configs.recommended,
  {
    files: ["**/*.js"],
    languageOptions: { sourceType: "module", globals: globals.browser },
    linterOptions: { reportUnusedDisableDirectives: "error" },
    rules: {
      eqeqeq: "error",
      "no-implicit-globals": "error",
      "no-restricted-properties": ["error", { property: "innerHTML", message: "Names are only ever text." }],
      "no-shadow": "error",
      "no-var": "error",
      "prefer-const": "error",
      "prefer-template": "error",
    },
  },
];
